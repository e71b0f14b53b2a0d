"""The page of a blind trial in a real browser, and a listener who uses it."""

import csv
import hashlib
import json
import re
import time
import wave

import numpy as np
import pytest

pytest.importorskip("fcntl", reason="Chromium is driven through Unix pipes")

import chromium
from built import tenon

RATE_HZ = 48_000

if chromium.find() is None:
    pytest.skip("no Chromium; install chromium", allow_module_level=True)


def noise(seconds=2.0):
    """Noise in bursts, the same in every run."""
    length = int(seconds * RATE_HZ)
    beat = np.exp(-(np.arange(length) % 12_000) / 4_000)
    return 0.3 * beat * np.random.default_rng(5).uniform(-1, 1, length)


def write(file, *channels):
    frames = np.stack(channels, axis=1)
    with wave.open(str(file), "wb") as out:
        out.setnchannels(len(channels))
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes((frames * 32767).round().astype("<i2").tobytes())


def make(folder, name, *options):
    """A set whose second side is on the left only, so that a meter can tell them apart."""
    if not (folder / "before.wav").exists():
        sound = noise()
        write(folder / "before.wav", sound, sound)
        write(folder / "after.wav", sound, 0 * sound)
    files = [str(folder / file) for file in ["before.wav", "after.wav"]]
    tenon("trial", *files, "-o", str(folder / name), *options)
    return folder / name


def opened(folder):
    """The order, 0 or 1 a trial, and which side the first file is; from the key, by its own rules."""
    key = json.loads((folder / "key.json").read_text())
    secret, sealed = bytes.fromhex(key["key"]), bytes.fromhex(key["sealed"])
    blocks = range(0, len(sealed), 32)
    stream = b"".join(
        hashlib.sha256(secret + (at // 32).to_bytes(4, "big")).digest() for at in blocks
    )
    text = bytes(a ^ b for a, b in zip(sealed, stream))
    assert hashlib.sha256(secret + text).hexdigest() == key["commitment"]
    written = json.loads(text)
    return [int(letter) - 1 for letter in written["order"]], written["first_file"].strip()


@pytest.fixture
def page(tmp_path):
    with chromium.Page(tmp_path) as page:
        yield page
        assert page.complaints == []


# Looks at what is heard: how strong the right channel is, on its way to the loudspeakers.
METER = """
window.AudioContext = class extends AudioContext {
  get destination() {
    if (!this.tap) {
      const split = this.createChannelSplitter(2);
      this.tap = this.createGain();
      this.tap.connect(super.destination);
      this.tap.connect(split);
      window.meters = [0, 1].map((channel) => {
        const meter = this.createAnalyser();
        split.connect(meter, channel);
        return meter;
      });
    }
    return this.tap;
  }
};
window.level = (channel) => {
  const samples = new Float32Array(2048);
  meters[channel].getFloatTimeDomainData(samples);
  return Math.max(...samples.map(Math.abs));
};
"""


def hears(page, side):
    """Waits until a side is heard: both channels before, the left one after."""
    right = "level(1) > 0.001" if side == "before" else "level(1) === 0"
    page.until(f"level(0) > 0.001 && {right}")


def look(page):
    """All that the page shows and holds, but for its scripts and the number of the trial."""
    seen = page.run("""(() => {
      const copy = document.documentElement.cloneNode(true);
      copy.querySelectorAll("script").forEach((script) => script.remove());
      return copy.outerHTML;
    })()""")
    return re.sub(r"Trial \d+ of", "Trial N of", seen)


def files_saved(page):
    return list(page.downloads.glob("*.json")) if page.downloads.exists() else []


def save(page):
    page.click("#save")
    end = time.monotonic() + chromium.PATIENCE_S
    while not files_saved(page):
        assert time.monotonic() < end, "nothing was saved"
        time.sleep(0.02)
    (file,) = files_saved(page)
    return file


def test_difference_is_asked_heard_and_scored(page, tmp_path):
    folder = make(tmp_path, "set", "--trials", "12")
    order, first = opened(folder)
    second = "after" if first == "before" else "before"
    sides = [first, second]
    page.first(METER)
    page.open(folder / "trial.html")
    page.until("!document.getElementById('intro').hidden")
    assert "10 right answers" in page.run("document.getElementById('fixed').textContent")
    page.click("#begin")
    hears(page, first)

    # Two wrong answers, and the first three trials by ear.
    answers = [hidden if n not in (4, 7) else 1 - hidden for n, hidden in enumerate(order)]
    seen = []
    for n, (hidden, answer) in enumerate(zip(order, answers)):
        page.until(f"document.getElementById('number').textContent === 'Trial {n + 1} of 12'")
        views = [look(page)]
        for key in ["X", "B", "A"]:
            if n % 2 == 0:
                page.click(f"#listen button[value={key}]")
            else:
                page.key(key.lower(), f"Key{key}")
            # The focus goes where the mouse was; that is the listener's own doing.
            page.run("document.activeElement.blur()")
            views.append(look(page))
        if n < 3:
            page.key("ab"[1 - hidden], "Key" + "AB"[1 - hidden])
            hears(page, sides[1 - hidden])
            page.key("x", "KeyX")
            hears(page, sides[hidden])
        seen.append(views)
        assert page.run("document.getElementById('verdict').textContent") == ""
        if n % 3 == 0:
            page.click(f"#answer button[value='{answer + 1}']")
        else:
            page.key("AB"[answer], "Key" + "AB"[answer], shift=True)
    # Whatever was hidden, the page was the same.
    assert all(views == seen[0] for views in seen)

    page.until("!document.getElementById('end').hidden")
    verdict = page.run("document.getElementById('verdict').textContent")
    # 79 of 4096 sheets: 66 + 12 + 1.
    assert verdict == "Right: 10 of 12: chance alone does this about once in 52 times."
    assert f"A was {first}.wav, B was {second}.wav" in page.run("document.body.innerText")

    result = tenon("trial", "score", str(folder), str(save(page)))
    assert result.startswith(f"{verdict}\np = 0.019287\n")
    record = json.loads(next(folder.glob("*-result.json")).read_text())
    chosen = [{"before": "first", "after": "second"}[sides[answer]] for answer in answers]
    hidden = [{"before": "first", "after": "second"}[sides[x]] for x in order]
    assert [answer["chosen"] for answer in record["answers"]] == chosen
    assert [answer["hidden"] for answer in record["answers"]] == hidden
    with next(folder.glob("*-result.csv")).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert sum(row["correct"] == "true" for row in rows) == 10

    # Nothing but the page itself and the answers handed out.
    assert page.requests[0] == (folder / "trial.html").resolve().as_uri()
    assert all(url.startswith("blob:") for url in page.requests[1:])


def test_preference_counts_what_was_behind_the_buttons(page, tmp_path):
    folder = make(tmp_path, "set", "--trials", "9", "--kind", "preference")
    order, first = opened(folder)
    page.open(folder / "trial.html")
    page.until("!document.getElementById('intro').hidden")
    page.click("#begin")
    # This listener likes before better in all but the last trial.
    before = 0 if first == "before" else 1
    for n, one in enumerate(order):
        likes = 1 if (one == before) != (n == 8) else 2
        page.key("2", "Digit2")
        page.key("!" if likes == 1 else '"', f"Digit{likes}", shift=True)
    page.until("!document.getElementById('end').hidden")
    verdict = page.run("document.getElementById('verdict').textContent")
    # Twice 10 of 512.
    says = "after.wav preferred: 1 of 9: chance alone leans this far, to either side, about once in 26"
    assert verdict == f"{says} times."
    assert tenon("trial", "score", str(folder), str(save(page))).startswith(verdict)


def test_stopping_early_is_told(page, tmp_path):
    folder = make(tmp_path, "set", "--trials", "8")
    order, _ = opened(folder)
    page.open(folder / "trial.html")
    page.until("!document.getElementById('intro').hidden")
    page.click("#begin")
    for hidden in order[:3]:
        # What has not been listened to cannot be judged.
        page.key("AB"[1 - hidden], "Key" + "AB"[1 - hidden], shift=True)
        for key in "XBA":
            page.key(key.lower(), f"Key{key}")
        page.key("AB"[hidden], "Key" + "AB"[hidden], shift=True)
    page.click("#stop")
    assert page.run("document.getElementById('end').hidden")
    page.click("#stop")
    verdict = page.run("document.getElementById('verdict').textContent")
    assert verdict.startswith("Right: 3 of 3:") and "Stopped after 3 of 8" in verdict
    assert tenon("trial", "score", str(folder), str(save(page))).startswith(verdict)


def test_switching_has_neither_gap_nor_click(page, tmp_path):
    page.open(make(tmp_path, "set") / "trial.html")
    # Rendered by the player of the page: two steady sounds, changes at odd moments, some of them
    # while another is under way, and over the end of the loop.
    heard = page.run("""(async () => {
      const rate = 48000;
      const render = async (levels) => {
        const context = new OfflineAudioContext(2, 2 * rate, rate);
        const sounds = levels.map((level) => ({
          rate, channels: [0, 1].map(() => new Float32Array(rate).fill(level)),
        }));
        const buffers = sounds.map((sound) => excerpt(context, sound, 0, 1));
        const player = new Player(context, buffers, 0, 0);
        [[1, 0.1], [0, 0.2003], [1, 0.2043], [0, 0.2051], [1, 0.5], [1, 0.503], [0, 0.9987], [1, 1.3]]
          .forEach(([side, when]) => player.hear(side, when));
        player.end(1.9);
        return Array.from((await context.startRendering()).getChannelData(0));
      };
      return { same: await render([0.5, 0.5]), opposed: await render([0.5, -0.5]) };
    })()""")
    same, opposed = np.array(heard["same"]), np.array(heard["opposed"])
    # 10 ms are 480 samples. The fade of a loop is a raised cosine, steepest at pi/2 over its length.
    fade = 480
    ends = np.zeros(2 * RATE_HZ, dtype=bool)
    for at in [0, RATE_HZ, int(1.9 * RATE_HZ)]:
        ends[max(0, at - fade - 1) : at + fade + 1] = True
    ends[int(1.9 * RATE_HZ) :] = True
    # Changing between equal sounds is not heard at all: no gap, no bump.
    assert np.abs(same[~ends] - 0.5).max() < 1e-6
    assert np.abs(np.diff(same)).max() < 0.5 * np.pi / 2 / fade * 1.01
    # Between opposed ones the step is that of the straight line, nowhere more, but for the loop's
    # end, where both may fall together.
    assert np.abs(np.diff(opposed))[~ends[1:]].max() < 1 / fade * 1.01
    assert np.abs(np.diff(opposed)).max() < (1 / fade + 0.5 * np.pi / 2 / fade) * 1.01
    # And each side was reached.
    at = lambda seconds: opposed[int(seconds * RATE_HZ)]
    assert [at(0.05), at(0.15), at(0.203), at(0.4), at(0.6), at(1.2), at(1.5)] == pytest.approx(
        [0.5, -0.5, at(0.203), 0.5, -0.5, 0.5, -0.5], abs=1e-6
    )
    assert np.abs(opposed[int(1.92 * RATE_HZ) :]).max() == 0


@pytest.mark.parametrize("channels", [1, 2])
def test_sounds_are_those_of_the_files(page, tmp_path, channels):
    if channels == 1:
        for file in ["before.wav", "after.wav"]:
            write(tmp_path / file, noise())
    folder = make(tmp_path, "set")
    page.open(folder / "trial.html")
    for name, file in [("one", "1.wav"), ("two", "2.wav")]:
        data = (folder / file).read_bytes().partition(b"data")[2][4:]
        triples = np.frombuffer(data, np.uint8).reshape(-1, channels, 3).astype(np.int32)
        whole = triples[..., 0] | triples[..., 1] << 8 | triples[..., 2] << 16
        samples = (whole - ((whole & 0x800000) << 1)) / 2**23
        script = f"readWav(bytesOf(document.getElementById('{name}').textContent))"
        rate, *sounds = page.run(
            f"(({{rate, channels}}) => [rate, ...channels.map((c) => Array.from(c))])({script})"
        )
        assert rate == RATE_HZ
        assert np.array_equal(np.array(sounds).T, samples)
        # And as many are played.
        played = page.run(f"excerpt(new AudioContext(), {script}, 0, 1).numberOfChannels")
        assert played == channels


def test_an_altered_page_asks_nothing(page, tmp_path):
    folder = make(tmp_path, "set")
    file = folder / "trial.html"
    text = file.read_text()
    sealed = json.loads((folder / "key.json").read_text())["sealed"]
    other = ("0" if sealed[30] != "0" else "1").join([sealed[:30], sealed[31:]])
    assert text.count(sealed) == 1
    file.write_text(text.replace(sealed, other))
    page.open(file)
    page.until("!document.getElementById('problem').hidden")
    assert "altered or damaged" in page.run("document.getElementById('problem').textContent")
    assert page.run("document.getElementById('intro').hidden")

"""The VST3 bundle in `pedalboard`, a host in Python built on another framework than the others.
"""

import os
import struct
import subprocess
from pathlib import Path

import numpy as np
import pedalboard
import pytest

from built import built, tenon

RATE_HZ = 48_000


def load(state=None):
    """A fresh instance, with the state of another if there is one."""
    bundle = built("TENON_VST3", "bundled/Tenon.vst3", "cargo xtask bundle")
    plugin = pedalboard.load_plugin(str(bundle))
    if state is not None:
        plugin.raw_state = state
    return plugin


@pytest.fixture
def plugin():
    return load()


def noise(seed, channels=2, seconds=2.0):
    """Noise in bursts, -20 dB while loud, the same in every run."""
    length = int(seconds * RATE_HZ)
    bursts = np.where(np.arange(length) // 6_000 % 3 == 2, 0.05, 1.0)
    steady = np.random.default_rng(seed).normal(scale=0.1, size=(channels, length))
    return (bursts * steady).astype(np.float32)


def play(plugin, sound, **options):
    """Plays after a reset, with all parameters arrived: this host hands them over with the first
    block, and the plug-in glides to them."""
    plugin.process(sound[:, :512], RATE_HZ)
    return plugin.process(sound, RATE_HZ, **options)


def write_wav(file, sound):
    """Writes 32-bit floating point."""
    frame = 4 * sound.shape[0]
    form = struct.pack("<HHIIHH", 3, sound.shape[0], RATE_HZ, frame * RATE_HZ, frame, 32)
    data = sound.T.astype("<f4").tobytes()
    chunks = b"WAVE"
    for name, chunk in ((b"fmt ", form), (b"data", data)):
        chunks += name + struct.pack("<I", len(chunk)) + chunk
    file.write_bytes(b"RIFF" + struct.pack("<I", len(chunks)) + chunks)


def read_wav(file):
    """Reads 32-bit floating point in stereo."""
    content = file.read_bytes()
    chunk = 12
    while True:
        name, length = struct.unpack_from("<4sI", content, chunk)
        if name == b"data":
            return np.frombuffer(content, "<f4", length // 4, chunk + 8).reshape(-1, 2).T
        chunk += 8 + length + length % 2


def test_it_introduces_itself(plugin):
    assert plugin.name == "Tenon"
    assert plugin.manufacturer_name == "Tenon"
    assert plugin.is_effect and not plugin.is_instrument
    assert plugin.reported_latency_samples == 70


def test_parameters_are_those_of_the_program(plugin):
    lines = tenon("params").splitlines()
    names = [line.strip().split(":")[0] for line in lines if line.startswith(" ")]
    assert [parameter.name for parameter in plugin.parameters.values()] == names


@pytest.mark.parametrize("block", [64, 512, 8_192])
def test_output_is_that_of_the_program(plugin, tmp_path, block):
    plugin.threshold_db = -30.0
    plugin.ratio = 4.0
    plugin.side_share = 50.0
    plugin.drive_db = 12.0
    plugin.symmetry = 30.0
    plugin.loudness_match = False
    sound = noise(1)
    dry, wet = tmp_path / "dry.wav", tmp_path / "wet.wav"
    write_wav(dry, sound)
    settings = ["threshold=-30", "ratio=4", "side_share=50", "drive=12", "symmetry=30"]
    settings += ["quality=4x", "loudness_match=off"]
    chosen = [f"--set={setting}" for setting in settings]
    tenon("render", dry, "-o", wet, "--format", "32f", *chosen)
    rendered = read_wav(wet)
    played = play(plugin, sound, buffer_size=block)
    assert rendered.shape == played.shape
    assert np.abs(played - rendered).max() < 1e-6
    assert np.abs(played - sound).max() > 0.01, "nothing was compressed"


def test_bypass_nulls(plugin):
    plugin.threshold_db = -40.0
    plugin.bypass = True
    sound = noise(2)
    assert np.array_equal(play(plugin, sound), sound)


def test_a_reset_forgets_the_signal(plugin):
    plugin.threshold_db = -40.0
    plugin.loudness_match = False
    loud, sound = 4.0 * noise(3), noise(4)
    fresh = play(plugin, sound)
    plugin.process(loud, RATE_HZ)
    assert np.array_equal(plugin.process(sound, RATE_HZ, reset=True), fresh)
    plugin.process(loud, RATE_HZ)
    assert not np.array_equal(plugin.process(sound, RATE_HZ, reset=False), fresh)


def test_a_state_comes_back_in_a_fresh_instance(plugin):
    plugin.threshold_db = -36.0
    plugin.listen = "delta"
    plugin.loudness_match = False
    sound = noise(5)
    played = play(plugin, sound)
    assert not np.array_equal(play(load(), sound), played)
    other = load(plugin.raw_state)
    for parameter, restored in zip(plugin.parameters.values(), other.parameters.values()):
        assert restored.string_value == parameter.string_value
    # Restored before it plays: no glide, hence no need to play twice.
    assert np.array_equal(other.process(sound, RATE_HZ), played)


def test_it_plays_in_mono(plugin):
    plugin.threshold_db = -36.0
    plugin.loudness_match = False
    sound = noise(6, channels=1)
    played = play(plugin, sound)
    assert played.shape == sound.shape
    in_stereo = play(load(plugin.raw_state), np.repeat(sound, 2, axis=0))
    assert np.array_equal(played, in_stereo[:1])
    assert np.abs(played - sound).max() > 0.01, "nothing was compressed"

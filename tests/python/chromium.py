"""A headless Chromium, driven through a pipe by the DevTools protocol.

https://chromedevtools.github.io/devtools-protocol/: messages in JSON, each closed by a zero byte.
"""

import base64
import fcntl
import json
import os
import select
import shutil
import signal
import time

NAMES = ["chromium", "chromium-browser", "google-chrome", "chrome"]
# Long enough for a busy machine; nothing waits that long unless it failed.
PATIENCE_S = 60


def find():
    """The program, or none."""
    return next(filter(None, map(shutil.which, NAMES)), None)


class Page:
    """A page of its own in a browser of its own, without a network."""

    def __init__(self, folder):
        self.downloads = folder / "downloads"
        self.requests = []
        self.complaints = []
        self._last = 0
        self._rest = b""
        ours_in, theirs_out = os.pipe()
        theirs_in, ours_out = os.pipe()
        options = [
            "--headless",
            "--remote-debugging-pipe",
            "--no-first-run",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            f"--user-data-dir={folder / 'profile'}",
        ]
        if os.name == "posix" and os.getuid() == 0:
            # Chromium's sandbox refuses the administrator.
            options.append("--no-sandbox")
        # The protocol wants descriptors 3 and 4. Copies far above keep clear of both.
        theirs = [fcntl.fcntl(fd, fcntl.F_DUPFD, 64) for fd in (theirs_in, theirs_out)]
        silence = os.open(os.devnull, os.O_RDWR)
        places = [(silence, 1), (silence, 2), (theirs[0], 3), (theirs[1], 4)]
        self._browser = os.posix_spawn(
            find(),
            [find(), *options, "about:blank"],
            os.environ,
            file_actions=[(os.POSIX_SPAWN_DUP2, fd, place) for fd, place in places],
        )
        for fd in [silence, theirs_in, theirs_out, *theirs]:
            os.close(fd)
        self._in, self._out = ours_in, ours_out
        self._session = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self.call("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(self.downloads))
        self._session = attached["sessionId"]
        for domain in ["Page", "Runtime", "Network", "Log"]:
            self.call(f"{domain}.enable")
        self.call(
            "Network.emulateNetworkConditions",
            offline=True,
            latency=0,
            downloadThroughput=0,
            uploadThroughput=0,
        )

    def __enter__(self):
        return self

    def __exit__(self, *_):
        os.close(self._out)
        os.close(self._in)
        os.kill(self._browser, signal.SIGTERM)
        os.waitpid(self._browser, 0)

    def call(self, method, **parameters):
        """Calls a method of the protocol; gives its result."""
        self._last += 1
        message = {"id": self._last, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("id") == self._last:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]

    def _receive(self):
        end = time.monotonic() + PATIENCE_S
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(0, end - time.monotonic()))
            assert ready, "the browser does not answer"
            got = os.read(self._in, 1 << 20)
            assert got, "the browser has ended"
            self._rest += got
        message, self._rest = self._rest.split(b"\0", 1)
        message = json.loads(message)
        details = message.get("params", {})
        match message.get("method"):
            case "Network.requestWillBeSent":
                self.requests.append(details["request"]["url"])
            case "Runtime.exceptionThrown":
                self.complaints.append(details["exceptionDetails"])
            case "Log.entryAdded":
                self.complaints.append(details["entry"]["text"])
        return message

    def first(self, script):
        """Runs a script before any of the page."""
        self.call("Page.addScriptToEvaluateOnNewDocument", source=script)

    def open(self, file):
        """Opens a file as a double click does."""
        self.call("Page.navigate", url=file.resolve().as_uri())
        self.until("document.readyState === 'complete'")

    def run(self, script):
        """Runs a script in the page; gives its value, or what its promise holds."""
        answer = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def until(self, script):
        """Waits until a script gives something true."""
        end = time.monotonic() + PATIENCE_S
        while not self.run(script):
            assert time.monotonic() < end, f"never true: {script}"
            time.sleep(0.02)

    def click(self, selector):
        """Clicks where a person would."""
        place = f"document.querySelector({json.dumps(selector)})"
        box = self.run(
            f"{place}.scrollIntoView({{block: 'nearest'}});"
            f" (({{x, y, width, height}}) => [x + width / 2, y + height / 2])"
            f"({place}.getBoundingClientRect())"
        )
        for kind in ["mousePressed", "mouseReleased"]:
            self.call(
                "Input.dispatchMouseEvent",
                type=kind,
                x=box[0],
                y=box[1],
                button="left",
                clickCount=1,
            )

    def key(self, key, code, shift=False):
        """Presses a key and lets it go."""
        for kind in ["keyDown", "keyUp"]:
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, code=code, modifiers=8 * shift
            )

    def picture(self):
        """The page as a PNG."""
        return base64.b64decode(self.call("Page.captureScreenshot")["data"])

"""Firefox and a WebKit as they come, driven by the open protocols that they speak themselves: W3C's
WebDriver BiDi and WebDriver.

playwright drives browsers of its own making, which only its makers' server has.  Without a sound
card an audio clock may stand still, so both play to a sink of pulseaudio's that leads nowhere.
"""

from __future__ import annotations

import base64
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from abc import abstractmethod
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, TypeVar
from urllib.error import URLError
from urllib.request import Request, urlopen

from websockets.sync.client import ClientConnection, connect

from tests.page.listening import PATIENCE, Listening

_Found = TypeVar("_Found")
# Nothing goes out; sound may begin without a touch, as a touch would let it.
_FIREFOX_PREFERENCES = {
    "media.autoplay.default": 0,
    "media.autoplay.blocking_policy": 0,
    "app.normandy.enabled": False,
    "app.update.disabledForTesting": True,
    "browser.startup.page": 0,
    "datareporting.policy.dataSubmissionEnabled": False,
    "network.captive-portal-service.enabled": False,
    "services.settings.server": "data:,",
    "toolkit.telemetry.reportingpolicy.firstRun": False,
}
_BEGINS = 20.0  # seconds in which a driver of WebKit's begins a session, or never does
_FETCHED = Path(sys.prefix) / "browser"  # what tools/fetch_browser.sh puts there
# It starts its helpers from where Debian installs them, so it cannot be unpacked elsewhere.
_MINI_BROWSERS = ("/usr/lib*/*/webkit2gtk-4.*/MiniBrowser", "/usr/lib*/webkit2gtk-4.*/MiniBrowser")


class OtherBrowser(Listening):
    """One tab, anew at each `open`."""

    @abstractmethod
    def open(self, url: str) -> None:
        """In a tab of its own, which remembers nothing of the former one."""

    @abstractmethod
    def hand(self, selector: str, file: Path) -> None:
        """Choose a file in a field for files, as its dialog would."""

    @abstractmethod
    def picture(self) -> bytes:
        """A PNG of what is seen."""

    @abstractmethod
    def problems(self) -> list[str]:
        """Errors since the page was opened."""

    def text(self, name: str) -> str:
        found: str = self.evaluate(f"document.getElementById({name!r}).textContent.trim()")
        return found

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)


_NOTE_ERRORS = """(window.problems = [],
    addEventListener("error", event => problems.push(event.message)),
    addEventListener("unhandledrejection", event => problems.push(`${event.reason}`)), null)"""


class Firefox(OtherBrowser):
    """Through WebDriver BiDi."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket, self._asked = socket, 0
        self._tab = self._person = ""
        self._problems: list[str] = []
        self.ask("session.new", capabilities={})
        self.ask("session.subscribe", events=["log.entryAdded"])

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """A command's result; what is logged meanwhile is noted."""
        self._asked += 1
        self._socket.send(json.dumps({"id": self._asked, "method": method, "params": parameters}))
        while True:
            answer: dict[str, Any] = json.loads(self._socket.recv(timeout=PATIENCE))
            if answer.get("method") == "log.entryAdded":
                entry = answer["params"]
                if entry["level"] in ("error", "warn"):
                    self._problems.append(entry["text"])
            elif answer.get("id") == self._asked:
                assert answer["type"] == "success", answer
                found: dict[str, Any] = answer["result"]
                return found

    def open(self, url: str) -> None:
        if self._tab:
            self.ask("browsingContext.close", context=self._tab)
            self.ask("browser.removeUserContext", userContext=self._person)
        self._problems.clear()
        self._person = self.ask("browser.createUserContext")["userContext"]
        made = self.ask("browsingContext.create", type="tab", userContext=self._person)
        self._tab = made["context"]
        self.ask("browsingContext.navigate", context=self._tab, url=url, wait="complete")

    def evaluate(self, expression: str) -> Any:
        answer = self.ask(
            "script.evaluate",
            expression=f"(async () => JSON.stringify((await ({expression})) ?? null))()",
            target={"context": self._tab}, awaitPromise=True, userActivation=True,
        )  # fmt: skip
        assert answer["type"] == "success", answer["exceptionDetails"]
        return json.loads(answer["result"]["value"])

    def click(self, selector: str) -> None:
        x, y = self.evaluate(
            f"(e => (e.scrollIntoView({{block: 'center'}}), e = e.getBoundingClientRect(),"
            f" [e.x + e.width / 2, e.y + e.height / 2]))(document.querySelector({selector!r}))"
        )
        actions: list[dict[str, Any]] = [
            {"type": "pointerMove", "x": round(x), "y": round(y)},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ]
        pointer = {"type": "pointer", "id": "hand", "actions": actions}
        self.ask("input.performActions", context=self._tab, actions=[pointer])

    def hand(self, selector: str, file: Path) -> None:
        by = {"type": "css", "value": selector}
        found = self.ask("browsingContext.locateNodes", context=self._tab, locator=by)
        (node,) = found["nodes"]
        element = {"sharedId": node["sharedId"]}
        self.ask("input.setFiles", context=self._tab, element=element, files=[str(file)])

    def picture(self) -> bytes:
        shot = self.ask("browsingContext.captureScreenshot", context=self._tab)
        return base64.b64decode(shot["data"])

    def problems(self) -> list[str]:
        self.evaluate("null")  # what came before this was said before this
        return self._problems


class WebKit(OtherBrowser):
    """WebKitGTK's small browser through WebDriver, a session for each page."""

    def __init__(self, drive: Callable[[], str], program: Path) -> None:
        """`drive`: start a driver, and say where it listens."""
        self._drive, self._program, self._session = drive, program, ""
        self._address = drive()

    def ask(self, method: str, path: str, **body: Any) -> Any:
        data = json.dumps(body).encode() if method == "POST" else None
        to = f"{self._address}/session{path}"
        request = Request(to, data, {"Content-Type": "application/json"}, method=method)
        with urlopen(request, timeout=PATIENCE if self._session else _BEGINS) as answer:
            return json.load(answer)["value"]

    def open(self, url: str) -> None:
        self.close()
        self._begin()
        self.ask("POST", f"{self._session}/url", url=url)
        self.evaluate(_NOTE_ERRORS)

    def _begin(self) -> None:
        own = {"binary": str(self._program), "args": ["--automation"]}
        wanted = {"alwaysMatch": {"webkitgtk:browserOptions": own}}
        for _ in self.attempts():
            try:
                self._session = "/" + self.ask("POST", "", capabilities=wanted)["sessionId"]
                return
            except (TimeoutError, URLError):  # now and then one never answers: another does
                self._address = self._drive()
        raise TimeoutError("no driver of WebKit's begins a session")

    def close(self) -> None:
        if self._session:
            with suppress(OSError):  # a driver that has gone, or does not answer, takes it along
                self.ask("DELETE", self._session)
        self._session = ""

    def evaluate(self, expression: str) -> Any:
        script = f"return (async () => JSON.stringify((await ({expression})) ?? null))()"
        return json.loads(self.ask("POST", f"{self._session}/execute/sync", script=script, args=[]))

    def click(self, selector: str) -> None:
        self.ask("POST", f"{self._session}/element/{self._element(selector)}/click")

    def hand(self, selector: str, file: Path) -> None:
        path = f"{self._session}/element/{self._element(selector)}/value"
        self.ask("POST", path, text=str(file))

    def _element(self, selector: str) -> str:
        by = {"using": "css selector", "value": selector}
        (element,) = self.ask("POST", f"{self._session}/element", **by).values()
        return str(element)

    def picture(self) -> bytes:
        return base64.b64decode(self.ask("GET", f"{self._session}/screenshot"))

    def problems(self) -> list[str]:
        found: list[str] = self.evaluate("problems")
        return found


@contextmanager
def firefox(folder: Path) -> Iterator[OtherBrowser]:
    """A Firefox with its profile and sink in a folder; FileNotFoundError where none can be."""
    program = _found("firefox", "firefox-esr")
    profile = folder / "profile"
    profile.mkdir()
    lines = (f"user_pref({json.dumps(n)}, {json.dumps(v)});"
             for n, v in _FIREFOX_PREFERENCES.items())  # fmt: skip
    (profile / "user.js").write_text("\n".join(lines), "utf-8")
    with ExitStack() as opened:
        own = opened.enter_context(_silent_sink(folder))
        command = [program, "--headless", "--no-remote", "--profile", str(profile)]
        command += ["--remote-debugging-port", "0"]
        log = opened.enter_context(_running(command, folder, **own))
        address = _said(log, r"BiDi listening on (ws://\S+)")
        socket = connect(f"{address}/session", max_size=None, open_timeout=PATIENCE)
        yield Firefox(opened.enter_context(socket))


@contextmanager
def webkit(folder: Path) -> Iterator[OtherBrowser]:
    """A WebKit on a screen of its own; FileNotFoundError where Debian's is not installed."""
    driver, screen = _found("WebKitWebDriver"), _found("Xvfb")
    program = next((each for at in _MINI_BROWSERS for each in sorted(Path("/").glob(at[1:]))), None)
    if program is None:
        raise FileNotFoundError("there is no MiniBrowser beside WebKitWebDriver")
    with ExitStack() as opened:
        own = opened.enter_context(_silent_sink(folder))
        shown = [screen, "-displayfd", "2", "-screen", "0", "1280x1000x24", "-nolisten", "tcp"]
        display = _said(opened.enter_context(_running(shown, folder)), r"^(\d+)$")
        own |= {"DISPLAY": f":{display}", "HOME": str(folder), "GDK_BACKEND": "x11"}
        # It may be root who tests, in a container in which no further one can be made.
        own |= {"WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1"}

        def drive() -> str:
            port = _free_port()
            opened.enter_context(_running([driver, f"--port={port}"], folder, **own))
            _once("WebKitWebDriver", lambda: _listens(port) or None)
            return f"http://127.0.0.1:{port}"

        found = WebKit(drive, program)
        opened.callback(found.close)
        yield found


def _found(*names: str) -> str:
    """A program, fetched or the system's."""
    for name in (*(str(_FETCHED / name) for name in names), *names):
        if program := shutil.which(name):
            return program
    raise FileNotFoundError(f"there is no {names[0]}")


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


def _listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def _running(command: list[str], folder: Path, **own: str) -> Iterator[Path]:
    """A program while it runs: the file to which it says what it says."""
    said = folder / f"{Path(command[0]).name}.log"
    with said.open("w") as log:
        process = subprocess.Popen(command, env=os.environ | own, stdout=log, stderr=log)
    try:
        yield said
    finally:
        process.kill()
        process.wait()


def _once(what: str, found: Callable[[], _Found | None]) -> _Found:
    """What is found as soon as it is there."""
    end = time.monotonic() + PATIENCE
    while (value := found()) is None:
        if time.monotonic() > end:
            raise FileNotFoundError(f"{what} does not start")
        time.sleep(0.02)
    return value


def _said(log: Path, pattern: str) -> str:
    """What a program says when it is ready."""
    look = partial(re.search, pattern, flags=re.MULTILINE)
    return _once(log.stem, lambda: look(log.read_text("utf-8", "replace")))[1]


@contextmanager
def _silent_sink(folder: Path) -> Iterator[dict[str, str]]:
    """The environment in which sound goes to a pulseaudio that takes it in time and drops it."""
    socket = folder / "sink"
    command = [_found("pulseaudio"), "-n", "--daemonize=no", "--exit-idle-time=-1"]
    command += ["--use-pid-file=no", "--disable-shm=yes"]
    if modules := next(_FETCHED.glob("pulseaudio.root/usr/lib/pulse-*/modules"), None):
        command += ["-p", str(modules)]
    command += ["-L", "module-null-sink rate=44100"]
    command += ["-L", f"module-native-protocol-unix socket={socket} auth-anonymous=1"]
    with _running(command, folder, HOME=str(folder), XDG_RUNTIME_DIR=str(folder)):
        _once("pulseaudio", lambda: socket.exists() or None)
        yield {"PULSE_SERVER": f"unix:{socket}"}

"""Firefox as it comes, driven by the open protocol that it speaks itself (W3C, WebDriver BiDi).

playwright drives a Firefox of its own making, which only its makers' server has.  Without a sound
card Firefox's audio clock stands still, so it plays to a sink of pulseaudio's that leads nowhere.
"""

from __future__ import annotations

import base64
import json
import os
import re
import shutil
import subprocess
import sys
import time
import types
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Self

from websockets.sync.client import connect

# Nothing goes out; sound may begin without a touch, as a touch would let it.
PREFERENCES = {
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
PATIENCE = 20.0  # seconds
_FETCHED = Path(sys.prefix) / "browser"  # what tools/fetch_browser.sh puts there


@contextmanager
def firefox(folder: Path) -> Iterator[Firefox]:
    """A browser with its profile and a sink in a folder; FileNotFoundError where none can be."""
    program, sink = _found("firefox", "firefox-esr"), _found("pulseaudio")
    modules = next(_FETCHED.glob("pulseaudio.root/usr/lib/pulse-*/modules"), None)
    profile = folder / "profile"
    profile.mkdir()
    with _silent_sink(sink, modules, folder) as address, Firefox(program, profile, address) as made:
        yield made


def _found(*names: str) -> str:
    """A program, fetched or the system's."""
    for name in (*(str(_FETCHED / name) for name in names), *names):
        if program := shutil.which(name):
            return program
    raise FileNotFoundError(f"there is no {names[0]}, and tools/fetch_browser.sh could fetch none")


class Firefox:
    """One tab, anew at each `open`.  `problems` are its console's errors and warnings."""

    def __init__(self, program: str, profile: Path, sink: str) -> None:
        lines = (f"user_pref({json.dumps(n)}, {json.dumps(v)});" for n, v in PREFERENCES.items())
        (profile / "user.js").write_text("\n".join(lines), "utf-8")
        self._process = subprocess.Popen(
            [program, "--headless", "--no-remote", "--profile", profile,
             "--remote-debugging-port", "0"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PULSE_SERVER": sink},
        )  # fmt: skip
        self.problems: list[str] = []
        self._asked = 0
        self._tab = self._person = ""
        self._opened = ExitStack()
        self._opened.callback(self._process.wait)
        self._opened.callback(self._process.kill)

    def _address(self) -> str:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            if found := re.search(r"BiDi listening on (ws://\S+)", line):
                return found[1]
        raise OSError("Firefox ended before it listened")

    def __enter__(self) -> Self:
        address = f"{self._address()}/session"
        self._socket = self._opened.enter_context(
            connect(address, max_size=None, open_timeout=PATIENCE, close_timeout=1)
        )
        self.ask("session.new", capabilities={})
        self.ask("session.subscribe", events=["log.entryAdded"])
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: types.TracebackType | None,
    ) -> None:
        self._opened.close()

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """A command's result; what happens meanwhile is noted."""
        self._asked += 1
        self._socket.send(json.dumps({"id": self._asked, "method": method, "params": parameters}))
        while True:
            answer: dict[str, Any] = json.loads(self._socket.recv(timeout=PATIENCE))
            if answer.get("method") == "log.entryAdded":
                entry = answer["params"]
                if entry["level"] in ("error", "warn"):
                    self.problems.append(entry["text"])
            elif answer.get("id") == self._asked:
                assert answer["type"] == "success", answer
                found: dict[str, Any] = answer["result"]
                return found

    @contextmanager
    def before(self, script: str) -> Iterator[None]:
        """Meanwhile every page runs this before its own scripts."""
        added = self.ask("script.addPreloadScript", functionDeclaration=f"() => {{ {script} }}")
        yield
        self.ask("script.removePreloadScript", script=added["script"])

    def open(self, url: str) -> None:
        """In a tab of its own, which remembers nothing of the former one."""
        if self._tab:
            self.ask("browsingContext.close", context=self._tab)
            self.ask("browser.removeUserContext", userContext=self._person)
        self._person = self.ask("browser.createUserContext")["userContext"]
        made = self.ask("browsingContext.create", type="tab", userContext=self._person)
        self._tab = made["context"]
        self.ask("browsingContext.navigate", context=self._tab, url=url, wait="complete")

    def evaluate(self, expression: str) -> Any:
        """A value of the page, as JSON has it; a promise's when it is there."""
        answer = self.ask(
            "script.evaluate",
            expression=f"(async () => JSON.stringify((await ({expression})) ?? null))()",
            target={"context": self._tab}, awaitPromise=True, userActivation=True,
        )  # fmt: skip
        assert answer["type"] == "success", answer["exceptionDetails"]
        return json.loads(answer["result"]["value"])

    def text(self, name: str) -> str:
        found: str = self.evaluate(f"document.getElementById({name!r}).textContent.trim()")
        return found

    def until(self, name: str, pattern: str) -> str:
        """Wait for a text of the page that matches."""
        end = time.monotonic() + PATIENCE
        while not re.search(pattern, text := self.text(name)):
            assert time.monotonic() < end, (name, text)
            time.sleep(0.05)
        return text

    def click(self, selector: str) -> None:
        """A touch in the middle of an element, scrolled into sight."""
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

    def set(self, **fields: int | float | bool) -> None:
        """Fill fields as `View.set` does, but by script: `change` and `input` are told."""
        for name, value in fields.items():
            field = f"document.getElementById({name.strip('_').replace('_', '-')!r})"
            told = (
                "['input', 'change'].forEach(n => e.dispatchEvent(new Event(n, {bubbles: true})))"
            )
            if isinstance(value, bool):
                self.evaluate(f"(e => e.checked === {json.dumps(value)} || e.click())({field})")
            else:
                self.evaluate(f"(e => {{ e.value = '{value:g}'; {told}; }})({field})")

    def choose(self, name: str, value: str) -> None:
        """An option of a list, by its value."""
        self.evaluate(
            f"(e => {{ e.value = {value!r}; e.dispatchEvent(new Event('change',"
            f" {{bubbles: true}})); }})(document.getElementById({name!r}))"
        )

    def picture(self) -> bytes:
        """A PNG of what is seen."""
        shot = self.ask("browsingContext.captureScreenshot", context=self._tab)
        return base64.b64decode(shot["data"])


@contextmanager
def _silent_sink(program: str, modules: Path | None, folder: Path) -> Iterator[str]:
    """The address of a pulseaudio server whose one sink takes sound in time and drops it."""
    socket = folder / "sink"
    command = [program, "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    command += ["--disable-shm=yes", *(["-p", str(modules)] if modules else [])]
    command += ["-L", "module-null-sink rate=44100"]
    command += ["-L", f"module-native-protocol-unix socket={socket} auth-anonymous=1"]
    at_home = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}
    process = subprocess.Popen(command, env=os.environ | at_home, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + PATIENCE
        while not socket.exists():
            if process.poll() is not None or time.monotonic() > end:
                raise OSError("pulseaudio does not start")
            time.sleep(0.02)
        yield f"unix:{socket}"
    finally:
        process.kill()
        process.wait()

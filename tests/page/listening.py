"""Using a page and listening in on it, whichever browser it is in (`tap.js` is what listens).

Nothing here asks how long something takes: a text is waited for where it changes, sound is counted
in samples, and what was struck has the time of the audio clock.
"""

from __future__ import annotations

import base64
import json
import re
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

TAP = (Path(__file__).parent / "tap.js").read_text("utf-8")
PATIENCE = 90.0  # seconds: longer is a hang, on a busy machine too
_LOOK = 2000  # ms of it at a time
# A change is seen when it happens, so that nothing is missed that soon passes.
_UNTIL = """new Promise((tell) => {
    const look = () => {
        const text = document.getElementById(%s)?.textContent.replace(/\\s+/g, " ").trim();
        const found = text !== undefined && RegExp(%s).test(text);
        if (found) done(text, true);
        return text;
    };
    const watching = new MutationObserver(look);
    const done = (text, found) => { watching.disconnect(); tell([found, text ?? null]); };
    watching.observe(document, { subtree: true, childList: true, characterData: true });
    setTimeout(() => done(look(), false), %d);
    look();
})"""
_BEGUN = "^(?!Ready|Paused|Loading)"
_FILL = """(fields => {
    for (const [id, value] of Object.entries(fields)) {
        const field = document.getElementById(id);
        if (typeof value !== "boolean") {
            field.value = value;
            for (const name of ["input", "change"]) {
                field.dispatchEvent(new Event(name, { bubbles: true }));
            }
        } else if (field.checked !== value) field.click();
    }
})"""


def _coming(name: str, pattern: str, patience: int) -> str:
    return _UNTIL % (json.dumps(name), json.dumps(pattern), patience)


class Listening(ABC):
    """A page that is open."""

    @abstractmethod
    def evaluate(self, expression: str) -> Any:
        """A value of the page, as JSON has it; a promise's when it is there."""

    @abstractmethod
    def click(self, selector: str) -> None:
        """A touch in the middle of an element, scrolled into sight."""

    @abstractmethod
    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def attempts(self) -> Iterator[int]:
        """As many as there is patience for."""
        end, number = time.monotonic() + PATIENCE, 0
        while time.monotonic() < end:
            yield (number := number + 1)

    def once(self, expression: str) -> Any:
        """A value of the page as soon as it is something."""
        for _ in self.attempts():
            if found := self.evaluate(expression):
                return found
            self.wait(0.05)
        raise AssertionError(expression)

    def set(self, **fields: int | float | bool | str) -> None:
        """Fill fields, and choose from lists by their values: `tempo=200, repeat=True`, `from_` for
        the reserved word.  By script and at once: by hand four fields take 0.6 s of processor."""
        named = {name.strip("_").replace("_", "-"): value for name, value in fields.items()}
        self.evaluate(f"{_FILL}({json.dumps(named)})")

    def until(self, name: str, pattern: str) -> str:
        """Wait for a text of the page that matches."""
        text = None
        for _ in self.attempts():
            found, text = self.evaluate(_coming(name, pattern, _LOOK))
            if found:
                return str(text)
        raise AssertionError((name, pattern, text))

    def play(self) -> str:
        """Touch the button: the first word of whose turn it is."""
        self.evaluate(f"void (window.coming = {_coming('word', _BEGUN, 10 * _LOOK)})")
        self.click("#play")
        found, word = self.evaluate("coming")
        return str(word) if found else self.until("word", _BEGUN)

    def wake(self) -> None:
        """The first touch, which wakes the sound, and a moment: devices start late."""
        self.play()
        self.once("drillgen.context.currentTime > 0.5")
        self.click("#play")
        self.until("word", "^Paused")

    def record(self) -> None:
        """Begin to listen in."""
        self.wake()
        self.evaluate("heard.listen()")

    def begin(self) -> float:
        """Play from the first of the bars on, everything heard and struck before forgotten, until
        that is done with no stroke late, as on a busy machine it may be.  The recording begins
        with the music (to 3 ms, a block): when that is, by the audio clock."""
        self.evaluate("heard.patient()")
        for _ in self.attempts():
            self.click("#top")
            self.evaluate("heard.forget()")
            self.play()
            self.once("heard.starts.length")
            if self.evaluate("heard.inTime"):
                begun = float(self.evaluate("heard.starts[0].when"))
                self.evaluate(f"heard.cut({begun})")
                return begun
            self.click("#play")
        raise AssertionError("some stroke was late each time")

    def hear(self, seconds: float) -> None:
        """Wait until so much has been recorded: on a busy machine sound may have gaps."""
        for _ in self.attempts():
            if (left := seconds - float(self.evaluate("heard.seconds()"))) <= 0:
                return
            self.wait(max(left, 0.05))
        raise AssertionError(f"{left} s of {seconds} were not recorded")

    def recorded(self) -> NDArray[np.float32]:
        """What was heard since: shape (1 + parts, samples), the mix first."""
        channels = int(self.evaluate("heard.blocks[0].length"))
        data = base64.b64decode(self.evaluate("heard.take()"))
        self.evaluate("heard.blocks.length = 0")
        return np.frombuffer(data, "<f4").reshape(channels, -1)

    def strokes(self) -> list[float]:
        """When something was struck, by the audio clock."""
        return sorted({each["when"] for each in self.evaluate("heard.starts")})


EARLY = 0.06  # seconds before its sound at which a bar may be marked
_LOOKED = 1.0  # seconds: the page has read the audio clock since, also where it came late to it


def wrong_marks(
    marks: list[dict[str, Any]],
    turns: list[dict[str, float]],
    start_of: Callable[[int], float],
    latest: float,
) -> list[str]:
    """What is wrong in how bars were marked, from the second (the first is marked with the touch
    that plays it) to the last but one that were.

    A mark names a bar that sounds, and comes no later than `latest` seconds after the bar's sound.
    On a busy machine a browser lets nothing of a page run for a while, and its audio clock, read
    now and again, stands and jumps.  So the bar's moment is the latest that the clock promised in
    the second before the mark; and a mark is late by the turns of a timer of the test's own that
    went before it, the last but one of which was over before that moment (timers come in order).
    """
    named = [(int(found[1]), mark) for mark in marks if (found := _BAR.match(mark["place"]))]
    numbers = [number for number, _ in named]
    wrong = [] if numbers == sorted(numbers) else [f"the order: {numbers}"]
    wrong += [
        f"bar {number} is marked {early:.3f} s before its sound"
        for number, mark in named
        if number > 1 and (early := start_of(number) - mark["at"]) > EARLY
    ]
    for number in range(2, max(numbers)):
        time = next(mark["time"] for named, mark in named if named >= number)
        before = [turn for turn in turns if turn["time"] < time]
        read = [turn for turn in before if turn["time"] > time - _LOOKED] or before[-2:]
        due = max(turn["time"] + start_of(number) - turn["at"] for turn in read)
        if (late := before[-2]["time"] - due) > latest:
            wrong.append(f"bar {number} is marked {late:.3f} s after its sound")
    return wrong


_BAR = re.compile(r"Bar (\d+) of")

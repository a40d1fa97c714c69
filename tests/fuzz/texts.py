"""Drill texts with pieces cut out, put in, doubled and exchanged at random places: read and shown,
or refused with a place for everything that is wrong."""

from __future__ import annotations

from pathlib import Path
from random import Random

from drillgen.chart import charts
from drillgen.drill.files import list_presets
from drillgen.drill.lesson import Lesson
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import parse_drill
from drillgen.pack.preflight import check
from tests.drill.test_fuzz import OBEYED, PIECES
from tests.fuzz.commands import shown_with, within
from tests.fuzz.odd_drills import drill

NAME = "texts"
PATIENCE = 5.0  # seconds of the processor's time
_PIECES = [
    *PIECES,
    ":",
    "- ",
    "|",
    "progression |\n",
    "😀",
    '"\\ud83d\\ude00"',
    '"\\ud83d"',
    "\\x9b",
    "&a [*a, *a]",
    "!!python/object:os.system ",
    "!!binary ",
    "? ",
    "%YAML 9.9\n",
    "0x",
    "1_000",
    ".inf",
    ".nan",
    "2026-11-29",
    "on",
    "\r",
    "\ufeff",
    "\U0010ffff",
    "é",
    "[" * 60,
    "{a: " * 30,
    "- " * 40,
    "x" * 5000,
    "a: &a {b: *a}\n",
]


class Ground:
    """Presets that hold one drill, and drills made up."""

    def __init__(self, top: Path) -> None:
        texts = [preset.path.read_text("utf-8") for preset in list_presets()]
        self.texts = [text for text in texts if "drills:" not in text]
        self.read = 0

    def told(self) -> str:
        return f"{self.read} of them were still read"

    def case(self, chance: Random) -> None:
        """Change a text, and read it."""
        text = _changed(
            drill(chance) if chance.random() < 0.3 else chance.choice(self.texts), chance
        )
        with shown_with(repr(text)), within(PATIENCE):
            self._shown(text)

    def _shown(self, text: str) -> None:
        try:
            read = parse_drill(text)
        except DrillError as error:
            assert error.problems and not OBEYED.search(str(error)), str(error)
            str(error).encode("utf-8")
            lines = text.count("\n") + text.count("\r") + 1
            for problem in error.problems:
                assert problem.message and 1 <= problem.line <= lines and problem.column >= 1, (
                    problem
                )
            return
        for chart in charts(read)[:1]:
            assert chart.bars
        found = check(Lesson(read.title, (read,)), 0)
        assert not any(OBEYED.search(each) for each in found.texts)
        self.read += 1


def _changed(text: str, chance: Random) -> str:
    for _ in range(chance.choice([1, 1, 1, 2, 3, 6])):
        at = chance.randrange(len(text) + 1)
        cut = chance.choice([0, 0, 1, 2, 9, 40])
        how = chance.random()
        if how < 0.6:
            new = chance.choice(_PIECES)
        elif how < 0.8:  # from another place
            start = chance.randrange(len(text) + 1)
            new = text[start : start + chance.choice([1, 5, 30, 120])]
        else:
            new = chr(chance.choice([chance.randrange(128), chance.randrange(0x3000)]))
        text = text[:at] + new + text[at + cut :]
    return text

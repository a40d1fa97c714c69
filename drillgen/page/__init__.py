"""The practice page: one folder that plays, from disk or from any static host.

The page does not play rendered mixes.  It has each distinct note once (`tones.py`) and plays the
performance's strokes with them, as the mixes were made.  So any tempo keeps its pitch, a repeated
stretch has no seam, and the parts cannot drift apart.

Here: what the page is made from, plain values given by the pack.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drillgen.chart import Chart
    from drillgen.performance import Performance
    from drillgen.score import Score
    from drillgen.sheet.reader import Reader
    from drillgen.theory.pitch import Key

# What the page's files are called, for those who need not know how they are made.

INDEX, FOLDER = "index.html", "page"
ALONE = "page.html"  # the whole page in one file
WEB = Path(__file__).parent / "web"  # what runs in the browser
WORKER = "worker.js"  # keeps the page; beside it, since a worker serves what lies under it
# What it may load and run (Content Security Policy, level 3).  From disk a worker, which listens,
# can be had from a blob alone, and only a script can make one.
POLICY = (
    "default-src 'none'; script-src {scripts}; worker-src 'self' blob:; "
    "style-src {styles}; img-src 'self' data:; "
    "font-src data:; media-src data:; manifest-src 'self'; "
    "base-uri 'none'; form-action 'none'"
)


@dataclass(frozen=True, slots=True)
class Picture:
    """One key of a drill as SVG; bars are groups of class `sheet-bar` with the sheet's ids."""

    wide: str
    narrow: str = ""  # fewer bars a line, for phones
    answer: str = ""  # the same with the calls that are learned by ear; "" where they are shown
    narrow_answer: str = ""
    names: tuple[tuple[str, str], ...] = ()  # a note's id, and its name as it is written
    label: str = ""  # the key as it is written: "C major", "D major (concert C major)"


@dataclass(frozen=True, slots=True)
class Reading:
    """A drill as it is written for one of those who read it."""

    name: str  # as the drill names the reader: "Bb"; "" for whom it means
    reader: Reader
    pictures: tuple[Picture, ...]  # one a key, in the key cycle's order
    # A bar's id and the id of the measure that shows it, for every bar that is on the sheet.
    shown_in: tuple[tuple[str, str], ...]
    papers: tuple[tuple[str, str], ...]  # links: what is said, the file from the pack's root


@dataclass(frozen=True, slots=True)
class Take:
    """One track as it is played: a drill at one tempo, in one key or in all of them."""

    chart: Chart
    score: Score
    performance: Performance


@dataclass(frozen=True, slots=True)
class Stand:
    """One drill on the page's music stand."""

    folder: str  # of the drill in the pack: its name, and where it lies
    keys: tuple[Key, ...]  # the whole key cycle
    takes: tuple[Take, ...]
    readings: tuple[Reading, ...] = ()  # the first is the one that is shown at first


@dataclass(frozen=True, slots=True)
class Licence:
    """Whose sounds these are, and what may be done with them."""

    soundfont: str
    text: str

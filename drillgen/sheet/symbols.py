"""Chord symbols as a copyist sets them: root and accidental on the line, the suffix raised.

Common practice in lead sheets: `m` and a bass after the stroke stand on the line with the root,
the rest (7, maj7, dim, ♭9 …) is smaller and raised.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from xml.etree import ElementTree as ET

# In tenths of a verovio pixel; a staff is 720 high.
ROOT_SIZE = 460
SUFFIX_SIZE = 330
RAISED = 140
_BESIDE_A_SHARP = 30
_ROOT = r"[A-G][♭♯𝄫𝄪]*"
_SYMBOL = re.compile(rf"({_ROOT})(m(?!aj))?(.*?)(/{_ROOT})?", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Run:
    """Letters of one size at one height."""

    text: str
    size: int = ROOT_SIZE
    raised: int = 0


def runs(symbol: str) -> tuple[Run, ...]:
    """A chord symbol such as `A♭m7♭5/G♭` in runs; what is no chord (N.C.) is one run."""
    found = _SYMBOL.fullmatch(symbol)
    if found is None:
        return (Run(symbol),)
    root, minor, suffix, bass = (part or "" for part in found.groups())
    parts = (Run(root + minor), Run(suffix, SUFFIX_SIZE, RAISED), Run(bass))
    return tuple(run for run in parts if run.text)


def drawn(symbol: str, x: str, y: str) -> ET.Element:
    """The symbol as an SVG text whose first letter stands at `x`, `y`."""
    text = ET.Element("text", {"x": x, "y": y, "font-size": str(ROOT_SIZE)})
    text.extend(list(_spans(runs(symbol))))
    return text


def _spans(parts: tuple[Run, ...]) -> Iterator[ET.Element]:
    height, before = 0, ""
    for run in parts:
        span = ET.Element("tspan", {"font-size": str(run.size)})
        if run.raised != height:
            span.set("dy", str(height - run.raised))
        gaps = [_gap(one, other) for one, other in pairwise(before + run.text)]
        gaps = gaps if before else [0, *gaps]
        if any(gaps):
            span.set("dx", " ".join(map(str, gaps)))
        span.text, before = run.text, run.text[-1]
        height = run.raised
        yield span


def _gap(one: str, other: str) -> int:
    """Room between two letters, where the text's sharp would touch its neighbours."""
    return _BESIDE_A_SHARP if "♯" in (one, other) else 0

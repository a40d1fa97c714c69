"""Fingering for double bass and bass guitar: string, position and finger of least effort.

`finger(notes, FRETBOARDS["upright"])` gives a `Fingered` for each note; `contrasting` gives two
solutions; `Fretboard.tuned` another tuning.  Positions are named by the Simandl system on the
upright and by the first finger's fret on the electric: `fretboard.school.system` says which.
"""

from __future__ import annotations

from drillgen.sheet.fingering.basses import FRETBOARDS, FingeringError, Fretboard
from drillgen.sheet.fingering.solve import (
    BarMemory,
    Fingered,
    OpenStrings,
    contrasting,
    finger,
    tablature,
)

__all__ = [
    "FRETBOARDS",
    "BarMemory",
    "Fingered",
    "FingeringError",
    "Fretboard",
    "OpenStrings",
    "contrasting",
    "finger",
    "tablature",
]

"""A take: what a student has played or sung, heard and compared with what was asked.

    recording --listen, notes--> heard notes --place--> in a track --judge--> verdicts --report-->

`tables.json` holds every number, sign and word that the practice page needs as well: both read it,
so that both come to the same verdicts.  Here: that table, and the values that go along.

Times are in seconds of the track, unless a name says otherwise; pitches are MIDI keys, with a part
after the point where they are heard (69.0 is 440 Hz; a hundredth is a cent).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from drillgen.errors import DrillgenError

TABLES = "tables.json"


class HearingError(DrillgenError):
    """A recording cannot be judged; the message says why, and what to do, in a sentence."""


@cache
def tables() -> dict[str, Any]:
    """What Python and the page share: thresholds (ms, cents, shares), verdicts, words, rules."""
    found: dict[str, Any] = json.loads(
        resources.files(__name__).joinpath(TABLES).read_text("utf-8")
    )
    return found


@dataclass(frozen=True, slots=True)
class AskedNote:
    """A note that the student should play."""

    start: float  # seconds of the track
    end: float  # seconds: as long as the line itself holds it
    key: int  # MIDI key as it sounds
    name: str  # "Bb2"


@dataclass(frozen=True, slots=True)
class AskedResponse:
    """The notes of one response, or of some bars that are played along."""

    key: str  # "Bb major"
    first_bar: int  # counted from 1 after the count-in, as people count
    last_bar: int
    start: float  # seconds of the track
    end: float
    notes: tuple[AskedNote, ...]


@dataclass(frozen=True, slots=True)
class HeardNote:
    """A note as it was heard."""

    start: float  # seconds: of the recording as it comes from listening, of the track when placed
    end: float
    pitch: float  # MIDI key and cents: 38.12
    level: float = 0.0  # dB against full scale

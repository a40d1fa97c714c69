"""What is heard of a drill: its MIDI file, read by pretty_midi, beside what is written."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from io import BytesIO
from math import log10
from typing import Any

import pretty_midi

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.reader import drill_of
from drillgen.midi import midi_files
from drillgen.performance import perform
from drillgen.score import Hit, Note, PartName, Score
from drillgen.timing import Together
from tests.band.playing import EIGHT

VOLUME, PAN = 7, 10  # General MIDI controllers


@dataclass(frozen=True)
class Heard:
    """A track: what is written, and the file, for those who look at it."""

    score: Score

    @cached_property
    def file(self) -> pretty_midi.PrettyMIDI:
        (content,) = midi_files(perform(self.score), "Heard", ((),))
        return pretty_midi.PrettyMIDI(BytesIO(content))

    def controller(self, part: str, number: int) -> int:
        """What a part's controller is set to."""
        (value,) = {c.value for c in self.part(part).control_changes if c.number == number}
        return int(value)

    def volume(self, part: str) -> float:
        """A part's level in dB, where controller 7 at 100 is 0: 40 log10 (General MIDI 2, 3.3)."""
        return 40 * log10(self.controller(part, VOLUME) / 100)

    def part(self, name: str) -> pretty_midi.Instrument:
        return next(each for each in self.file.instruments if each.name == name)

    def events(self, name: PartName) -> Iterator[tuple[Note | Hit, pretty_midi.Note]]:
        """What is written with how it is played; the drill's timing must be exact."""
        part, clock = self.score.part(name), Together(self.score.chart).exact
        assert part is not None and self.score.chart.drill.timing == "exact"
        played = {(round(n.start, 2), n.pitch): n for n in self.part(name).notes}
        for event in (*part.notes, *part.hits):
            key = event.key if isinstance(event, Hit) else event.pitch.midi
            start = clock(event.start)
            for near in (start, start - 0.004, start + 0.004):
                if found := played.get((round(near, 2), key)):
                    yield event, found
                    break

    def written_seconds(self, event: Note | Hit) -> float:
        clock = Together(self.score.chart).exact
        return clock(event.start + event.duration) - clock(event.start)


def loudness(note: pretty_midi.Note) -> float:
    """Of a velocity, in dB from full: 40 log10 (SoundFont 2.04, 8.4.2)."""
    return 40 * log10(note.velocity / 127)


def heard(**drill: Any) -> Heard:
    """The first track of a drill: eight bars in C on the grid, where nothing else is said; heard
    once for all who ask for the same."""
    usual = {"progression": EIGHT, "key_cycle": "C", "gaps": "none", "line": "off",
             "timing": "exact", "title": "Heard"}  # fmt: skip
    return _heard(json.dumps(usual | drill))


@lru_cache(maxsize=16)
def _heard(drill: str) -> Heard:
    return Heard(arrange(charts(drill_of(json.loads(drill)))[0]))

"""Nearly valid drills, the whole way: refused with their place, or written out soundly as
performance, as Standard MIDI File (by mido) and as sheet (W3C's schema; values that add up)."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from io import BytesIO
from itertools import zip_longest
from pathlib import Path
from random import Random
from xml.etree import ElementTree

import mido

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import Lesson
from drillgen.drill.messages import DrillError
from drillgen.drill.models import Drill
from drillgen.drill.reader import parse_drill
from drillgen.midi import midi_files
from drillgen.pack.preflight import check
from drillgen.performance import Performance, perform
from drillgen.sheet.sheets import sheets
from tests.fuzz.commands import shown_with, within
from tests.fuzz.odd_drills import drill
from tests.sheet.schema import assert_valid

NAME = "drills"
PATIENCE = 5.0  # seconds of the processor's time for each step
# MusicXML 4.0, note-type-value; each is half of the one before it, a quarter is 1.
_TYPES = ("whole", "half", "quarter", "eighth", "16th", "32nd", "64th")
_QUARTERS = {name: Fraction(4, 2**index) for index, name in enumerate(_TYPES)}


class Ground:
    """How many went the whole way."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.whole = 0

    def told(self) -> str:
        return f"{self.whole} of them played and printed"

    def case(self, chance: Random) -> None:
        """Read a drill, show it, and write it out."""
        text = drill(chance)
        with shown_with(text):
            self.written(text)

    def written(self, text: str) -> None:
        """Raises AssertionError where something is unsound."""
        try:
            with within(PATIENCE):
                read = parse_drill(text)
        except DrillError as error:
            assert error.problems and all(each.line and each.message for each in error.problems)
            return
        with within(PATIENCE):
            found = check(Lesson(read.title, (read,)), 0)
        if found.problems:
            assert all(each.message for each in found.problems)
            return
        self._play(read)
        self.whole += 1

    def _play(self, read: Drill) -> None:
        scores = []
        for chart in charts(read):
            with within(PATIENCE):
                scores.append(arrange(chart))
                performance = perform(scores[-1])
                sound = midi_files(performance, read.title, [()])[0]
            _check_performance(performance)
            _check_midi(sound, len(performance.voices))
        with within(PATIENCE):
            for sheet in sheets(scores).all:
                assert_valid(sheet.musicxml)
                _check_sheet(sheet.musicxml)


def _check_performance(performance: Performance) -> None:
    """Every note begins and ends within the track, one key at a time."""
    for voice in performance.voices:
        starts = [(note.start, note.key) for note in voice.notes]
        assert len(starts) == len(set(starts)), f"{voice.part}: twice at once"
        for note in voice.notes:
            assert 0 <= note.start < performance.seconds, f"{voice.part}: begins at {note.start}"
            assert note.duration > 0 and 1 <= note.velocity <= 127, f"{voice.part}: {note}"
            over = note.start + note.duration - performance.seconds
            assert over < 1e-6, f"{voice.part}: {over} s beyond the end"


def _check_midi(data: bytes, parts: int) -> None:
    """Each note is ended, later than it began, and before its track ends."""
    file = mido.MidiFile(file=BytesIO(data))
    assert len(file.tracks) == parts + 1
    assert len({sum(message.time for message in track) for track in file.tracks}) == 1
    for track in file.tracks:
        now, sounding = 0, {}
        for message in track:
            now += message.time
            if message.type == "note_on" and message.velocity:
                assert message.note not in sounding, f"{track.name} {now}: {message} twice"
                sounding[message.note] = now
            elif message.type in ("note_on", "note_off"):
                assert sounding.pop(message.note, now) < now, f"{track.name} {now}: {message}"
        assert not sounding and track[-1].type == "end_of_track"


def _check_sheet(text: str) -> None:
    """Written values are as long as they sound and add up to the bar; triplets open and close."""
    divisions, bar, sums = 1, Fraction(4), []
    for measure in ElementTree.fromstring(text).findall("part/measure"):
        divisions = int(measure.findtext("attributes/divisions") or divisions)
        if (beats := measure.findtext("attributes/time/beats")) is not None:
            bar = Fraction(int(beats) * 4, int(measure.findtext("attributes/time/beat-type") or 4))
        notes = [n for n in measure.findall("note") if n.find("chord") is None]
        staff = [n for n in notes if n.findtext("staff") in (None, "1")]
        total = sum(_lengths(staff, divisions, str(measure.get("number"))), Fraction(0))
        sums.append((measure.get("number"), measure.get("implicit"), total, bar))
        signs = [each.get("type") for note in staff for each in note.findall("notations/tuplet")]
        assert signs == ["start", "stop"] * (len(signs) // 2), f"{measure.get('number')}: {signs}"
    for (number, implicit, total, whole), following in zip_longest(sums, sums[1:]):
        if following and following[1] and total < whole:  # a bar cut in two by a pick-up's line
            total += following[2]
        assert implicit or total == whole, f"measure {number}: {total} of {whole}"


def _lengths(notes: list[ElementTree.Element], divisions: int, bar: str) -> Iterator[Fraction]:
    for note in notes:
        sounds = Fraction(int(note.findtext("duration") or 0), divisions)
        yield sounds
        if (name := note.findtext("type")) is None:
            continue  # a bar of rest
        value = _QUARTERS[name] * (2 - Fraction(1, 2 ** len(note.findall("dot"))))
        normal = int(note.findtext("time-modification/normal-notes") or 1)
        actual = int(note.findtext("time-modification/actual-notes") or 1)
        assert value * normal / actual == sounds, f"measure {bar}: {name} sounds {sounds}"

"""A melody from a MIDI file: music21 and mido write it, and say what it is."""

from __future__ import annotations

import random
from pathlib import Path

import mido
import pytest
from music21 import key, meter, note, stream
from quicktions import Fraction

from drillgen.chart import charts
from drillgen.drill.lead_sheet import read_played
from drillgen.drill.lesson import load
from drillgen.drill.melody import read_melody
from drillgen.drill.messages import RefusedError
from drillgen.lines.kinds import line
from drillgen.theory.pitch import Key
from tests.conftest import Run

BEAT = 480
Notes = list[tuple[float, float, int]]  # start, length in quarter notes, MIDI key

# Quarters, eighths, a triplet, sixteenths, a tie over the bar line, rests: of our own invention.
TUNE: Notes = [
    (0, 1, 53), (1, 0.5, 57), (1.5, 0.5, 58), (2, 1 / 3, 60), (2 + 1 / 3, 1 / 3, 58),
    (2 + 2 / 3, 1 / 3, 57), (3, 0.25, 55), (3.25, 0.75, 56), (4, 1.5, 57), (7, 2, 64),
    (9.5, 0.5, 65), (10, 2, 53),
]  # fmt: skip


def written(path: Path, notes: Notes, *meta: mido.MetaMessage, channel: int = 0) -> Path:
    """A file of one track by mido."""
    events = [(round((start + length) * BEAT), 0, key) for start, length, key in notes]
    events += [(round(start * BEAT), 1, key) for start, _, key in notes]
    track = mido.MidiTrack(meta)
    before = 0
    for at, on, number in sorted(events):
        kind = "note_on" if on else "note_off"
        track.append(mido.Message(kind, note=number, time=at - before, channel=channel))
        before = at
    file = mido.MidiFile(ticks_per_beat=BEAT)
    file.tracks.append(track)
    file.save(path)
    return path


def read_back(path: Path, tonic: int = 53) -> Notes:
    """As the language has it, ties put together, in the octave of the file."""
    melody = read_melody(" | ".join(read_played(path).notes))
    found: Notes = []
    bar_start, tied = Fraction(0), False
    for bar in melody.bars:
        for event in bar.events:
            start = float(bar_start + event.start)
            if event.tone is not None and tied:
                first, length, number = found[-1]
                found[-1] = (first, length + float(event.duration), number)
            elif event.tone is not None:
                found.append((start, float(event.duration), tonic + event.tone.semitones))  # type: ignore[union-attr]
            tied = event.tied
        bar_start += bar.length
    octave = round((TUNE[0][2] - found[0][2]) / 12) * 12 if found else 0
    return [(start, length, number + octave) for start, length, number in found]


IN_F = (mido.MetaMessage("key_signature", key="F"),)


def test_what_is_on_the_grid_is_as_it_was(tmp_path: Path) -> None:
    """Starts, lengths and pitches of a file in exact time come back."""
    found = read_back(written(tmp_path / "tune.mid", TUNE, *IN_F))
    assert [number for *_, number in found] == [number for *_, number in TUNE]
    for ours, theirs in zip(found, TUNE, strict=True):
        assert ours[:2] == pytest.approx(theirs[:2], abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_what_a_player_plays_is_set_on_the_grid(tmp_path: Path, seed: int) -> None:
    """Notes up to 30 ms early or late at 100 beats a minute (0.05 of a beat), each held for nine
    tenths of its length, begin where they were meant."""
    chance = random.Random(seed)
    meant = [row for row in TUNE if row[0] * 2 % 1 == 0]
    loose = [
        (max(start + chance.uniform(-0.05, 0.05), 0), 0.9 * length, key)
        for start, length, key in meant
    ]
    found = read_back(written(tmp_path / "tune.mid", loose, *IN_F))
    assert [(start, number) for start, _, number in found] == [(s, k) for s, _, k in meant]


def test_swung_eighths_are_written_straight(tmp_path: Path) -> None:
    """Off-beats at two thirds throughout are eighths (common practice); beside a triplet they are
    the triplet's last note."""
    swung: Notes = [(0, 0.6, 53), (0.66, 0.3, 55), (1, 0.6, 57), (1.64, 0.3, 58), (2, 2, 60)]
    assert read_played(written(tmp_path / "a.mid", swung, *IN_F)).notes == ("1:e 2:e 3:e 4:e 5:h",)
    triplet: Notes = [*swung[:4], (2, 0.3, 60), (2 + 1 / 3, 0.3, 58), (2 + 2 / 3, 0.3, 57)]
    found = read_played(written(tmp_path / "b.mid", triplet, *IN_F)).notes
    assert found == ("1:qt 2:et 3:qt 4:et 5:et 4:et 3:et r:q",)


def test_a_file_of_a_notation_program(tmp_path: Path, drillgen: Run) -> None:
    """What music21 writes as MIDI goes into a drill by name: meter and key are the file's, and the
    line is music21's melody in some octave, in each key of the cycle."""
    part = stream.Part([meter.TimeSignature("3/4"), key.Key("F")])
    for name, length in [("F3", 1), ("A3", 0.5), ("B-3", 0.5), ("C4", 1), ("E4", 2), ("D4", 1)]:
        part.append(note.Note(name, quarterLength=length))
    part.write("midi", fp=tmp_path / "tune.mid")
    drill = tmp_path / "mine.yaml"
    drill.write_text(
        "progression: I | ii7\nline: {kind: written, notes: tune.mid}\nkey_cycle: [F, G]\n"
        "feel: jazz waltz\ngaps: none\nending: none\n",
        "utf-8",
    )
    done = drillgen("check", drill)
    assert done.returncode == 0, done.stderr
    assert "3/4" in done.stdout
    found = [each.pitch.midi for each in line(charts(load(str(drill)).drills[0])[0]).notes]
    theirs = [each.pitch.midi for each in part.recurse().getElementsByClass(note.Note)]
    apart = {
        ours - other for ours, other in zip(found, theirs + [n + 2 for n in theirs], strict=True)
    }
    assert len(apart) <= 2 and all(each % 12 == 0 for each in apart)


def test_the_drill_s_key_goes_before_the_file_s(tmp_path: Path) -> None:
    """Many programs write C major whatever is played: the same notes are 5 6 7 in C and 2 3 #4 in
    F; chromatic notes are sharp on the way up and flat on the way down (common practice)."""
    notes: Notes = [(0, 1, 55), (1, 1, 57), (2, 1, 59), (3, 1, 60)]
    path = written(tmp_path / "tune.mid", notes, mido.MetaMessage("key_signature", key="C"))
    assert read_played(path).notes == ("5:q 6:q 7:q 1':q",)
    assert read_played(path, Key.parse("F")).notes == ("2:q 3:q #4:q 5:q",)
    up: Notes = [(0, 1, 60), (1, 1, 61), (2, 1, 62), (3, 1, 61)]
    (found,) = read_played(written(path, up)).notes
    assert [word.partition(":")[0] for word in found.split()] == ["1", "#1", "2", "b2"]


def two_tracks(path: Path) -> None:
    file = mido.MidiFile(written(path, TUNE))
    file.tracks.append(mido.MidiFile(written(path, TUNE, channel=1)).tracks[0])
    file.save(path)


def not_midi(path: Path) -> None:
    path.write_bytes(b"no MIDI at all")


def cut(path: Path) -> None:
    path.write_bytes(written(path, TUNE).read_bytes()[:60])


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (not_midi, "the file is not readable as MIDI"),
        (cut, "the file is not readable as MIDI"),
        (two_tracks, "the file has 2 voices"),
        (lambda path: written(path, []), "the file has no note"),
        (lambda path: written(path, TUNE, channel=9), "the file has no note"),
        (lambda path: written(path, [*TUNE, (4.5, 2, 65)]), "bar 2: more than one note sounds"),
        (
            lambda path: written(
                path, TUNE, mido.MetaMessage("time_signature", numerator=7, denominator=8)
            ),
            'the meter "7/8"',
        ),
    ],
)
def test_what_cannot_be_read_is_said(make, says: str, tmp_path: Path, drillgen: Run) -> None:
    """With the drill's file, line and column, the MIDI file's name and its bar."""
    make(tmp_path / "tune.mid")
    (tmp_path / "mine.yaml").write_text(
        "progression: I\nline: {kind: written, notes: tune.mid}\n", "utf-8"
    )
    done = drillgen("check", "mine.yaml", cwd=tmp_path)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert f"mine.yaml:2:30: line.notes: tune.mid: {says}" in done.stderr, done.stderr


def test_midi_has_no_chords(tmp_path: Path, drillgen: Run) -> None:
    """As a progression it is refused with what can be one."""
    written(tmp_path / "tune.mid", TUNE)
    (tmp_path / "mine.yaml").write_text("progression: tune.mid\n", "utf-8")
    done = drillgen("check", "mine.yaml", cwd=tmp_path)
    assert done.returncode == 2
    assert "a MIDI file has no chord symbols" in done.stderr and ".musicxml" in done.stderr


def test_damaged_at_random(tmp_path: Path) -> None:
    """Whatever happens to a file, it is read or refused."""
    path = tmp_path / "tune.mid"
    whole = written(path, TUNE, *IN_F).read_bytes()
    chance = random.Random(7)
    refused = 0
    for _ in range(120):
        spoilt = bytearray(whole)
        for _ in range(chance.randrange(1, 4)):
            spoilt[chance.randrange(len(spoilt))] = chance.randrange(256)
        path.write_bytes(spoilt)
        try:
            read_melody(" | ".join(read_played(path).notes))
        except RefusedError:
            refused += 1
    assert 10 < refused < 120

"""The stretch of a performance that a file holds."""

from __future__ import annotations

from dataclasses import replace

from drillgen.performance import Performance, Played, Voice
from drillgen.sound.errors import SoundError
from drillgen.sound.strokes import sample_at
from drillgen.sound.synth import HOP, RATE

# Seconds by which a player may be before the beat: such a note belongs to the beat, and in a loop
# it is heard at the end of the round before.
_EARLY = 0.05


def passage(performance: Performance, loop: tuple[float, float] | None) -> tuple[Performance, int]:
    """A performance, or what a loop has of it from its first sample on; and its length in samples.

    Raises SoundError: the loop is not within the performance, or too short.
    """
    if loop is None:
        return performance, sample_at(performance.seconds)
    begin, end = loop
    length = sample_at(end) - sample_at(begin)
    if not 0 <= begin <= end <= performance.seconds + 1 / RATE or length < 2 * HOP:
        raise SoundError(f"There is no loop from {begin:g} to {end:g} seconds.")
    voices = tuple(_within(voice, begin, end) for voice in performance.voices)
    return replace(performance, voices=voices, seconds=length / RATE), length


def _within(voice: Voice, begin: float, end: float) -> Voice:
    origin = sample_at(begin) / RATE
    length = (sample_at(end) - sample_at(begin)) / RATE
    notes = []
    for note in voice.notes:
        if begin <= note.start < end:
            notes.append(_moved(note, -origin))
        elif begin - _EARLY <= note.start < begin and voice.part not in ("click", "cue"):
            notes.append(_moved(note, length - origin))
    return replace(voice, notes=tuple(sorted(notes, key=lambda note: (note.start, note.key))))


def _moved(note: Played, seconds: float) -> Played:
    return replace(note, start=max(note.start + seconds, 0.0))

"""Standard MIDI Files, format 1: a conductor track, then a track a part.

Facts: Standard MIDI Files 1.0 and General MIDI Level 1 (MMA).  Ticks are computed from absolute
times; deltas exist only here.  A level in dB becomes controller 7 by the recommended curve
40 log10(volume / 127) dB (General MIDI Level 2, 3.3; SoundFont 2.04, 8.4), with 100 at 0 dB.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from io import BytesIO

import mido

from drillgen.chart import Bar, Chart
from drillgen.performance import Performance, Voice
from drillgen.score import PartName

TICKS = 960  # a quarter note
_VOLUME, _PAN = 7, 10  # controllers
_MIDDLE_VOLUME = 100
_DB_A_DECADE = 40.0
_OFF, _SETUP, _ON = 0, 1, 2  # at one tick: notes end, then meta events, then notes begin


@dataclass(frozen=True, slots=True)
class Event:
    """A message at an absolute tick; `order` ranks messages at one tick."""

    tick: int
    order: int
    message: mido.Message | mido.MetaMessage


class Ruler:
    """Seconds to ticks, by the tempos as the file can state them.

    A file states whole microseconds a quarter note; its bars keep their exact ticks, and notes are
    placed within them.
    """

    def __init__(self, chart: Chart) -> None:
        self._chart = chart
        self._starts = [chart.seconds_at(bar.start) for bar in chart.bars]

    def tick(self, seconds: float) -> int:
        bar = self._chart.bars[max(bisect_right(self._starts, seconds + 1e-9) - 1, 0)]
        into = (seconds - self._starts[bar.number]) / float(self._chart.seconds_a_quarter(bar))
        return round((float(bar.start) + into) * TICKS)


def midi_file(performance: Performance, title: str, leave_out: Iterable[PartName] = ()) -> bytes:
    """The bytes of a Standard MIDI File of a performance, some parts left out."""
    left_out = set(leave_out)
    ruler = Ruler(performance.chart)
    end = ruler.tick(performance.seconds)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8")
    file.tracks.append(_track(_conductor(performance.chart, title), end))
    owners: dict[int, Voice] = {}
    for voice in performance.voices:
        if voice.part not in left_out:
            owner = owners.setdefault(voice.channel, voice)
            file.tracks.append(_track(_part(voice, owner, ruler), end))
    buffer = BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _track(events: Iterable[Event], end: int) -> mido.MidiTrack:
    """Absolute ticks to deltas, and an end of track that keeps the last silence."""
    track = mido.MidiTrack()
    now = 0
    for event in sorted(events, key=lambda event: (event.tick, event.order)):
        track.append(event.message.copy(time=event.tick - now))
        now = event.tick
    track.append(mido.MetaMessage("end_of_track", time=max(end - now, 0)))
    return track


def _meta(tick: int, kind: str, **values: object) -> Event:
    return Event(tick, _SETUP, mido.MetaMessage(kind, **values))


def _conductor(chart: Chart, title: str) -> Iterator[Event]:
    yield _meta(0, "track_name", name=title)
    before: Bar | None = None
    for bar in chart.bars:
        tick = round(bar.start * TICKS)
        if before is None:
            yield _meter(chart, tick)
        if before is None or bar.tempo != before.tempo:
            yield _meta(tick, "set_tempo", tempo=microseconds(chart.seconds_a_quarter(bar)))
        if before is None or bar.key != before.key:
            yield _meta(tick, "key_signature", key=bar.key.short)
        text = _marker(bar, before)
        if text:
            yield _meta(tick, "marker", text=text)
        before = bar


def microseconds(seconds: Fraction) -> int:
    """A quarter note's length as a tempo event states it."""
    return round(seconds * 1_000_000)


def _meter(chart: Chart, tick: int) -> Event:
    meter = chart.drill.meter
    return _meta(
        tick,
        "time_signature",
        numerator=meter.upper,
        denominator=meter.unit,
        clocks_per_click=int(24 * meter.beat),
        notated_32nd_notes_per_beat=8,
    )


def _marker(bar: Bar, before: Bar | None) -> str:
    """Named where the key, the role or the pass changes: 'Bb major: call'."""
    if before is not None and (bar.role, bar.key, bar.pass_number) == (
        before.role,
        before.key,
        before.pass_number,
    ):
        return ""
    return bar.role if bar.role in ("count-in", "ending") else f"{bar.key}: {bar.role}"


def _part(voice: Voice, owner: Voice, ruler: Ruler) -> Iterator[Event]:
    """A part's events.  `owner` is the part that sets the channel up: where the click shares the
    drums' channel, its level goes into its velocities."""
    yield _meta(0, "track_name", name=voice.part)
    if voice is owner:
        yield from _set_up(voice)
    softer = 10 ** ((voice.level - owner.level) / _DB_A_DECADE)
    ends: dict[int, Event] = {}
    for note in voice.notes:
        start = ruler.tick(note.start)
        end = max(ruler.tick(note.start + note.duration), start + 1)
        sounding = ends.get(note.key)
        if sounding is not None and sounding.tick > start:  # the same key again: end it first
            ends[note.key] = Event(start, sounding.order, sounding.message)
        if sounding is not None:
            yield ends[note.key]
        velocity = min(max(round(note.velocity * softer), 1), 127)
        yield Event(start, _ON, _message("note_on", voice, note=note.key, velocity=velocity))
        ends[note.key] = Event(end, _OFF, _message("note_off", voice, note=note.key, velocity=64))
    yield from ends.values()


def _set_up(voice: Voice) -> Iterator[Event]:
    yield Event(0, _SETUP, _message("program_change", voice, program=voice.program))
    for control, value in ((_VOLUME, volume(voice.level)), (_PAN, panned(voice.pan))):
        message = _message("control_change", voice, control=control, value=value)
        yield Event(0, _SETUP, message)


def _message(kind: str, voice: Voice, **values: int) -> mido.Message:
    return mido.Message(kind, channel=voice.channel, **values)


def volume(level: float) -> int:
    """Controller 7 for a level in dB."""
    return min(max(round(_MIDDLE_VOLUME * 10 ** (level / _DB_A_DECADE)), 0), 127)


def panned(pan: float) -> int:
    """Controller 10 for -1 (left) to 1 (right)."""
    return min(max(round(64 + 63 * pan), 0), 127)

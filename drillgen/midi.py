"""Standard MIDI Files, format 1: a conductor track, then a track a part.

Facts: Standard MIDI Files 1.0 and General MIDI Level 1 (MMA).  Ticks are computed from absolute
times; deltas exist only here.  A level in dB becomes controller 7 by the recommended curve
40 log10(volume / 127) dB (General MIDI Level 2, 3.3; SoundFont 2.04, 8.4), with 100 at 0 dB.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Sequence
from functools import cache
from itertools import islice
from operator import itemgetter
from typing import NamedTuple

import mido
from mido.midifiles.meta import encode_variable_int
from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.performance import Performance, Voice
from drillgen.score import PartName

TICKS = 960  # a quarter note
_HEADER = 6  # bytes in the header chunk, after the eight of its kind and length
_VOLUME, _PAN = 7, 10  # controllers
_MIDDLE_VOLUME = 100
_DB_A_DECADE = 40.0
_RELEASED = 64  # the velocity of a note-off that says nothing (MIDI 1.0)
_SYSTEM = 0xF0  # from here on a first byte is no channel's status
_END_OF_TRACK = bytes(mido.MetaMessage("end_of_track").bytes())
_OFF, _SETUP, _ON = 0, 1, 2  # at one tick: notes end, then meta events, then notes begin


class TrackEvent(NamedTuple):
    """A message at an absolute tick; `order` ranks messages at one tick."""

    tick: int
    order: int
    message: bytes  # as in a file, all of it


class Ruler:
    """Seconds to ticks, by the tempos as the file can state them.

    A file states whole microseconds a quarter note; its bars, and the beats of one that slows, keep
    their exact ticks, and notes are placed within them.
    """

    def __init__(self, chart: Chart) -> None:
        stretches = list(chart.stretches())
        self._quarters, self._starts, self._paces = (
            [float(stretch[place]) for stretch in stretches] for place in range(3)
        )

    def tick(self, seconds: float) -> int:
        place = max(bisect_right(self._starts, seconds + 1e-9) - 1, 0)
        into = (seconds - self._starts[place]) / self._paces[place]
        return round((self._quarters[place] + into) * TICKS)


def midi_files(
    performance: Performance, title: str, versions: Iterable[Collection[PartName]]
) -> list[bytes]:
    """A file for each version, which is the parts that it leaves out.

    A part's track is the same in each file, so it is written once.
    """
    ruler = Ruler(performance.chart)
    end = ruler.tick(performance.seconds)
    voices = {voice.part: voice for voice in performance.voices}
    conductor = _track(_conductor(performance.chart, title), end)

    @cache
    def track(part: PartName, owner: PartName) -> bytes:
        return _track(_part(voices[part], voices[owner], ruler, end), end)

    spoken = [_track(_lyrics(performance, ruler), end)] if performance.words else []
    return [
        _file(
            [
                conductor,
                *(track(*each) for each in _owned(performance.voices, left_out)),
                *(spoken if "spoken" not in left_out else ()),
            ]
        )
        for left_out in versions
    ]


def _lyrics(performance: Performance, ruler: Ruler) -> Iterator[TrackEvent]:
    """What is said, as lyrics in a track of its own: a synthesiser has no words."""
    yield _meta(0, "track_name", name="spoken")
    for word in performance.words:
        yield _meta(ruler.tick(word.start), "lyrics", text=word.text)


def _owned(
    voices: Iterable[Voice], left_out: Collection[PartName]
) -> Iterator[tuple[PartName, PartName]]:
    """The parts of a version, each with the part that sets its channel up: the channel's first."""
    owners: dict[int, PartName] = {}
    for voice in voices:
        if voice.part not in left_out:
            yield voice.part, owners.setdefault(voice.channel, voice.part)


def _file(tracks: Sequence[bytes]) -> bytes:
    header = struct.pack(">4sLHHH", b"MThd", _HEADER, 1, len(tracks), TICKS)
    return b"".join((header, *tracks))


def _track(events: Iterable[TrackEvent], end: int) -> bytes:
    """A track's chunk: absolute ticks to deltas, a status byte only where it changes, and an end of
    track that keeps the last silence."""
    data, now, running = bytearray(), 0, -1
    for tick, _, message in sorted(events, key=itemgetter(0, 1)):
        data += _quantity(tick - now)
        data += message[1:] if message[0] == running else message
        running = message[0] if message[0] < _SYSTEM else -1  # none goes on behind a meta event
        now = tick
    data += _quantity(max(end - now, 0)) + _END_OF_TRACK
    return struct.pack(">4sL", b"MTrk", len(data)) + data


@cache
def _quantity(number: int) -> bytes:
    """A number of variable length: seven bits a byte, the first ones marked (MIDI files 1.0)."""
    return bytes(encode_variable_int(number))


def _meta(tick: int, kind: str, **values: object) -> TrackEvent:
    """mido writes a text by Latin-1; this one stands in its bytes by UTF-8."""
    coded = {
        name: value.encode().decode("latin-1") if isinstance(value, str) else value
        for name, value in values.items()
    }
    return TrackEvent(tick, _SETUP, bytes(mido.MetaMessage(kind, **coded).bytes()))


def _conductor(chart: Chart, title: str) -> Iterator[TrackEvent]:
    yield _meta(0, "track_name", name=title)
    stretches, pace = chart.stretches(), Fraction(0)
    before: Bar | None = None
    for bar in chart.bars:
        tick = round(bar.start * TICKS)
        if before is None:
            yield _meter(chart, tick)
        for quarters, _, now in islice(stretches, len(bar.slowing) or 1):
            if now != pace:
                yield _meta(round(quarters * TICKS), "set_tempo", tempo=microseconds(now))
            pace = now
        if before is None or bar.key != before.key:
            yield _meta(tick, "key_signature", key=bar.key.short)
        text = _marker(bar, before)
        if text:
            yield _meta(tick, "marker", text=text)
        before = bar


def microseconds(seconds: Fraction) -> int:
    """A quarter note's length as a tempo event states it."""
    return round(seconds * 1_000_000)


def _meter(chart: Chart, tick: int) -> TrackEvent:
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
    if bar.change:
        return f"to {bar.key}"
    return bar.role if bar.role in ("count-in", "ending") else f"{bar.key}: {bar.role}"


def _part(voice: Voice, owner: Voice, ruler: Ruler, last: int) -> Iterator[TrackEvent]:
    """A part's events, up to the track's `last` tick.  `owner` is the part that sets the channel
    up: where the click shares the drums' channel, its level goes into its velocities."""
    yield _meta(0, "track_name", name=voice.part)
    if voice is owner:
        yield from _set_up(voice)
    channel = voice.channel
    softer = 10 ** ((voice.level - owner.level) / _DB_A_DECADE)
    ends: dict[int, TrackEvent] = {}
    begun: dict[int, int] = {}
    for note in voice.notes:
        start = min(ruler.tick(note.start), last - 1)
        end = min(max(ruler.tick(note.start + note.duration), start + 1), last)
        if begun.get(note.key) == start:
            continue  # two strokes so near that a file has one tick for them: one stroke
        begun[note.key] = start
        sounding = ends.get(note.key)
        if sounding is not None and sounding.tick > start:  # the same key again: end it first
            ends[note.key] = TrackEvent(start, sounding.order, sounding.message)
        if sounding is not None:
            yield ends[note.key]
        velocity = min(max(round(note.velocity * softer), 1), 127)
        yield TrackEvent(start, _ON, _message("note_on", channel, note=note.key, velocity=velocity))
        released = _message("note_off", channel, note=note.key, velocity=_RELEASED)
        ends[note.key] = TrackEvent(end, _OFF, released)
    yield from ends.values()


def _set_up(voice: Voice) -> Iterator[TrackEvent]:
    yield TrackEvent(0, _SETUP, _message("program_change", voice.channel, program=voice.program))
    for control, value in ((_VOLUME, volume(voice.level)), (_PAN, panned(voice.pan))):
        message = _message("control_change", voice.channel, control=control, value=value)
        yield TrackEvent(0, _SETUP, message)


@cache
def _message(kind: str, channel: int, **values: int) -> bytes:
    """Raises ValueError for a key that there is not."""
    return bytes(mido.Message(kind, channel=channel, **values).bytes())


def volume(level: float) -> int:
    """Controller 7 for a level in dB."""
    return min(max(round(_MIDDLE_VOLUME * 10 ** (level / _DB_A_DECADE)), 0), 127)


def panned(pan: float) -> int:
    """Controller 10 for -1 (left) to 1 (right)."""
    return min(max(round(64 + 63 * pan), 0), 127)

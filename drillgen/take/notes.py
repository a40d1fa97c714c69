"""What is measured of a sound to the notes in it: one walk over the frames.

A note begins where the sound becomes periodic, at the onset that is nearest, or, where a bow or a
voice begins so softly that there is none to speak of, where its level has a tenth of its power; it
ends where it is no longer so, where it has died away, where its pitch steps to another and stays
there, or where an onset comes with a rise of its level: it is struck again.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil, inf
from statistics import median

import numpy as np

from drillgen.take import HeardNote, tables
from drillgen.take.listen import PITCH_HOP, RATE, Floats, Sound, SoundFrames, frames

_RULES = tables()["notes"]
_VOICED: float = tables()["sound"]["pitch"]["voiced"]
_FRAME = PITCH_HOP / RATE  # seconds
_SETTLED = round(_RULES["settled_ms"] / 1000 / _FRAME)  # frames of the attack
_FLUX = tables()["sound"]["flux"]["hop"] / RATE


def listen(sound: Sound) -> list[HeardNote]:
    """The notes in a sound of one channel at `RATE`, in seconds of it."""
    return notes_of(frames(sound))


def notes_of(measured: SoundFrames) -> list[HeardNote]:
    """The notes in what was measured, in order of start."""
    grown = _joined(list(_NoteFinder(measured).grown()))
    followers = [note.onset for note in grown[1:]] + [inf]
    found = [_finished(*each) for each in zip(grown, followers, strict=False)]
    return _loud_enough([note for note in found if note is not None])


def onsets(rises: Floats) -> list[tuple[float, float]]:
    """The peaks of the flux that stand out from what is round them: seconds, and how high."""
    apart, around = (
        round(_RULES[name] / 1000 / _FLUX) for name in ("peak_apart_ms", "peak_around_ms")
    )
    found: list[int] = []
    for index, value in enumerate(rises):
        if value < _RULES["peak_flux"] or (found and index - found[-1] < apart):
            continue
        if value < rises[max(index - apart, 0) : index + apart + 1].max():
            continue
        if (
            value
            >= _RULES["peak_over_mean"] * rises[max(index - around, 0) : index + around].mean()
        ):
            found.append(index)
    return [(index * _FLUX, float(rises[index])) for index in found]


@dataclass(slots=True)
class GrowingNote:
    """A note while it goes on; frames count from the sound's start."""

    first: int
    onset: float  # seconds
    clear: bool  # it began with an onset
    struck: bool  # and with a rise of its level
    last: int  # its last periodic frame
    top: float  # dB, its loudest frame
    pitches: list[float] = field(default_factory=list)
    frames: list[int] = field(default_factory=list)  # of each pitch
    ordered: list[float] = field(default_factory=list)  # those after the attack, by height

    def add(self, frame: int, pitch: float) -> None:
        """Take another frame's pitch."""
        self.pitches.append(pitch)
        self.frames.append(frame)
        if len(self.pitches) > _SETTLED:
            insort(self.ordered, pitch)

    @property
    def pitch(self) -> float:
        """The middle one of its pitches, the attack left out where there are others."""
        middle, odd = divmod(len(self.ordered), 2)
        if not self.ordered:
            return median(self.pitches)
        return self.ordered[middle] if odd else sum(self.ordered[middle - 1 : middle + 1]) / 2


class _NoteFinder:
    """From frame to frame, with the note that is sounding."""

    def __init__(self, measured: SoundFrames) -> None:
        self._pitch, self._level = measured.pitch, measured.level
        loudest = float(self._level.max(initial=-200.0))
        self._voiced = (measured.aperiodicity < _VOICED) & (
            self._level > loudest - _RULES["floor_db"]
        )
        self._bands = measured.bands
        self._onsets = onsets(measured.flux)
        self._next = 0  # of the onsets
        self._ended = -1.0  # seconds: the end of the last note
        self._began = -1.0  # and its beginning
        self._note: GrowingNote | None = None

    def grown(self) -> Iterator[GrowingNote]:
        """Every note, as it ends."""
        for frame in range(len(self._pitch)):
            before = self._note
            if before is None:
                self._begin(frame)
            else:
                self._go_on(frame, before)
                if self._note is not before:
                    yield before
        if self._note is not None:
            yield self._note

    def _begin(self, frame: int) -> None:
        """Begin a note here if the sound is periodic, and of one pitch, from here on."""
        ahead = slice(frame, frame + _RULES["begin_frames"])
        if self._voiced[ahead].all() and np.ptp(self._pitch[ahead]) < _RULES["step_semitones"]:
            self._note = self._new(frame)

    def _new(self, frame: int) -> GrowingNote:
        height, onset = self._onset_near(frame) or (0.0, None)
        struck = onset is not None and self._rises(round(onset / _FRAME))
        self._began = at = self._dated(frame, height, onset)
        level, pitch = float(self._level[frame]), float(self._pitch[frame])
        return GrowingNote(frame, at, onset is not None, struck, frame, level, [pitch], [frame])

    def _dated(self, frame: int, height: float, onset: float | None) -> float:
        """When a note began, seconds: at its onset; where that is soft, when its level rose."""
        risen = self._risen(frame) if height < _RULES["soft_flux"] else None
        if onset is None:
            return self._without_onset(frame) if risen is None else risen
        return onset if risen is None else min(onset, risen)

    def _risen(self, frame: int) -> float | None:
        """When a note rose to a tenth of its power, that is periodic from a frame on: in the bands
        that have grown into it since shortly before, but not before the last note was one."""
        back, apart = _RULES["rise_back_ms"] / 1000, _RULES["shortest_ms"] / 1000
        earliest = max(frame * _FRAME - back, self._began + apart, 0)
        first, hop = ceil(earliest / _FLUX), round(frame * _FRAME / _FLUX)
        before = self._bands[first : hop + 1]
        if len(before) < 2:
            return None
        settled = np.median(self._bands[hop : hop + _RULES["level_hops"]], axis=0)
        loud = settled > settled.max() - _RULES["near_db"]
        own = loud & (settled - before.min(axis=0) >= _RULES["grown_db"])
        if not own.any():
            return None
        below = settled[own].mean() - before[:, own].mean(axis=1)
        least = min(_RULES["risen_db"], _RULES["risen_share"] * below.max())
        return float((first + np.flatnonzero(below >= least)[-1]) * _FLUX)

    def _without_onset(self, frame: int) -> float:
        """When a note began that nothing but its pitch tells: half of YIN's window before, or half
        way from the last note's end."""
        at, width = frame * _FRAME, _RULES["joined_ms"] / 1000
        slurred = at - self._ended <= 2 * width
        return (at + self._ended) / 2 if slurred else at - _RULES["lead_ms"] / 1000

    def _onset_near(self, frame: int) -> tuple[float, float] | None:
        """Height and seconds of the onset of a note that is periodic from a frame on: the highest
        since shortly before (a bass may knock for two tenths of a second first), but not in the
        note before."""
        at = frame * _FRAME
        low, high = at - _RULES["near_onset_ms"] / 1000, at + _RULES["late_onset_ms"] / 1000
        low = max(low, self._ended - _RULES["overlap_ms"] / 1000)
        near = [
            (height, onset)
            for onset, height in self._between(low, high)
            if self._sounds_from(onset, frame)
        ]
        return max(near) if near else None

    def _between(self, low: float, high: float) -> list[tuple[float, float]]:
        """The onsets from one second to another."""
        first, last = bisect_left(self._onsets, (low,)), bisect_right(self._onsets, (high, inf))
        return self._onsets[first:last]

    def _sounds_from(self, onset: float, frame: int) -> bool:
        """Whether it sounds all the while from an onset to a frame, nearly as loud as there."""
        between = self._level[min(round(onset / _FRAME) + 2, frame) : frame + 1]
        return bool(between.min() >= self._level[frame] - _RULES["alive_db"])

    def _go_on(self, frame: int, note: GrowingNote) -> None:
        """Take a frame into the note, or end it."""
        self._ended = note.last * _FRAME
        if self._struck_again(frame, note) or self._stepped(frame, note):
            self._note = self._new(frame)
        elif self._belongs(frame, note):
            note.last = frame
            note.top = max(note.top, float(self._level[frame]))
            note.add(frame, float(self._pitch[frame]))
        elif frame - note.last >= _RULES["end_frames"]:
            self._note = None

    def _belongs(self, frame: int, note: GrowingNote) -> bool:
        """Whether a frame sounds like the note: periodic, near its pitch, not died away."""
        near = abs(self._pitch[frame] - note.pitch) < _RULES["step_semitones"]
        alive = self._level[frame] >= note.top - _RULES["ends_below_db"]
        return bool(self._voiced[frame] and near and alive)

    def _struck_again(self, frame: int, note: GrowingNote) -> bool:
        """Whether an onset lies in this frame with a rise of the level that lasts: a drum that
        is heard over a held note rises and is gone."""
        while (
            self._next < len(self._onsets) and self._onsets[self._next][0] < (frame - 0.5) * _FRAME
        ):
            self._next += 1
        if self._next == len(self._onsets) or self._onsets[self._next][0] >= (frame + 0.5) * _FRAME:
            return False
        return frame - note.first >= _RULES["rise_frames"] and self._rises(frame)

    def _rises(self, frame: int) -> bool:
        """Whether the level rises here, and stays up."""
        width, settled = _RULES["rise_frames"], _RULES["rise_after"]
        before = self._level[max(frame - width, 0) : frame + 1].min()
        after = self._level[frame + settled : frame + settled + width]
        return bool(len(after) and np.median(after) - before >= _RULES["rise_db"])

    def _stepped(self, frame: int, note: GrowingNote) -> bool:
        """Whether the pitch lies elsewhere from here on."""
        ahead = slice(frame, frame + _RULES["step_frames"])
        apart = self._pitch[ahead] - note.pitch
        least = _RULES["step_semitones"]
        return bool(self._voiced[ahead].all() and ((apart > least).all() or (apart < -least).all()))


def _joined(grown: Sequence[GrowingNote]) -> list[GrowingNote]:
    """One after the other, those that are one: a note that goes on after a hole, a false start on
    a partial, a tail in which a partial is left."""
    found: list[GrowingNote] = []
    for note in grown:
        if found and _goes_on(found[-1], note):
            found[-1] = _one(found[-1], note, (found[-1], note))
        elif found and _false_start(found[-1], note):
            found[-1] = _one(found[-1], note, (note,))
        elif found and _tail(found[-1], note):
            found[-1] = _one(found[-1], note, (found[-1],))
        else:
            found.append(note)
    return found


def _one(first: GrowingNote, second: GrowingNote, pitched: Sequence[GrowingNote]) -> GrowingNote:
    """Both as one; its pitches are those of the `pitched`."""
    top = max(first.top, second.top)
    one = GrowingNote(first.first, first.onset, first.clear, first.struck, second.last, top)
    for note in pitched:
        for frame, pitch in zip(note.frames, note.pitches, strict=True):
            one.add(frame, pitch)
    return one


def _gap(first: GrowingNote, second: GrowingNote) -> float:
    return (second.first - first.last) * _FRAME * 1000


def _goes_on(first: GrowingNote, second: GrowingNote) -> bool:
    same = abs(first.pitch - second.pitch) < _RULES["step_semitones"]
    return same and not second.struck and _gap(first, second) <= _RULES["same_joined_ms"]


def _is_partial(first: GrowingNote, second: GrowingNote) -> bool:
    apart = second.pitch - first.pitch
    return any(abs(apart - partial) < 0.6 for partial in _RULES["partials"])


def _false_start(first: GrowingNote, second: GrowingNote) -> bool:
    short = (first.last - first.first) * _FRAME * 1000 < _RULES["false_start_ms"]
    near = _gap(first, second) <= _RULES["joined_ms"]
    return short and near and not second.struck and not _has_its_own_onset(first, second)


def _has_its_own_onset(first: GrowingNote, second: GrowingNote) -> bool:
    """Over a string that still rings, a note begins with an onset but no rise of the level."""
    return second.clear and (second.onset - first.onset) * 1000 >= _RULES["own_onset_ms"]


def _tail(first: GrowingNote, second: GrowingNote) -> bool:
    near = _gap(first, second) <= _RULES["joined_ms"]
    softer = second.top < first.top - _RULES["rise_db"]
    return near and softer and not second.struck and _is_partial(first, second)


def _finished(note: GrowingNote, following: float) -> HeardNote | None:
    """As it is handed out; None where it is too short to be one.  `following`: seconds, when the
    next one begins."""
    end = (note.last + 1) * _FRAME
    long_enough = (end - note.onset) * 1000 >= _RULES["shortest_ms"]
    if not long_enough or len(note.pitches) < _RULES["voiced_frames"]:
        return None
    start = max(note.onset - _RULES["early_ms"] / 1000, 0.0)
    return HeardNote(start, end, _pitch_before(note, following), note.top)


def _pitch_before(note: GrowingNote, following: float) -> float:
    """The middle one of the pitches that are read from this note alone, where there are enough."""
    reach, settled = _RULES["reach_ms"] / 1000, _RULES["settled_ms"] / 1000
    pairs = zip(note.frames, note.pitches, strict=True)
    before = [(frame, pitch) for frame, pitch in pairs if frame * _FRAME + reach <= following]
    within = [each for each in before if each[0] * _FRAME - settled >= note.onset]
    for alone in (before[_SETTLED:], within):
        if len(alone) >= _RULES["alone_frames"]:
            return median(pitch for _, pitch in alone)
    return note.pitch


def _loud_enough(found: Sequence[HeardNote]) -> list[HeardNote]:
    """Those that are not far softer than the louder half: what a loudspeaker adds is."""
    if not found:
        return []
    tops = sorted(note.level for note in found)
    usual = median(tops[len(tops) // 2 :])
    return [note for note in found if note.level >= usual - _RULES["softer_db"]]

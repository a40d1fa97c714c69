"""Strokes on exact samples, and how notes die after them.

From a part as it is played to strokes on exact samples.

Two things that a synthesiser does by itself are settled here, since notes are added one by one: a
note struck again ends its former self; one of a choking pair (closed and open hi-hat) cuts the
other.

How a preset's notes die after note-off.

FluidSynth lets the level fall by a constant number of dB a second (SoundFont 2.04, 8.1.3,
releaseVolEnv), reckoned anew every 64 samples and drawn straight between.  Where a note follows
that law, one sustained copy serves every length.  Some presets do not: layers with different
releases, samples that change after note-off, decays still under way.  So the law is measured, after
short and long notes, and where it does not hold the lengths are rendered one by one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache, lru_cache, partial
from typing import NamedTuple

import numpy as np

from drillgen.performance import Performance, Played, Voice
from drillgen.sound.fluidsynth import GRID, RATE, Samples, Synth
from drillgen.sound.library import library

STEP = 1.5  # dB between velocities that are rendered where they do not sound alike
# SoundFont 2.04, 8.4.2: a note sounds 40 log10(127 / velocity) dB below its loudest.
_DB_A_DECADE = 40.0

Chokes = frozenset[tuple[int, int]]  # (key, key that it cuts)


class Stroke(NamedTuple):
    """One note or drum stroke.  (A tuple: there are thousands, and they are made in no time.)"""

    start: int  # sample
    hold: int  # samples until note-off, at least 1
    cut: int | None  # samples until it is choked
    key: int
    velocity: int


def strokes(voice: Voice, chokes: Chokes = frozenset()) -> tuple[Stroke, ...]:
    """A part's strokes in order of their starts.  Samples are counted from the track's start."""
    notes = sorted(
        ((sample_at(note.start), note.key, note) for note in voice.notes), key=lambda item: item[:2]
    )
    cut_by: dict[int, list[int]] = {}
    for by, cut in chokes:
        cut_by.setdefault(cut, []).append(by)
    following: dict[int, int] = {}  # key to the sample of its next stroke, seen from the end
    together: list[tuple[int, int]] = []  # key and sample of what is struck at the same time
    backwards: list[Stroke] = []
    for start, key, note in reversed(notes):
        if together and together[0][1] != start:
            following.update(together)
            together.clear()
        cuts = [following[by] for by in cut_by.get(key, ()) if by in following]
        backwards.append(_stroke(start, note, following.get(key), min(cuts, default=None)))
        together.append((key, start))
    return tuple(reversed(backwards))


def sample_at(seconds: float) -> int:
    """The sample of a moment: each reckoned from the origin, so that nothing adds up."""
    return round(seconds * RATE)


@cache
def step_of(velocity: int, step: float = STEP) -> int:
    """The nearest velocity on steps of some dB from the loudest."""
    below = round(_DB_A_DECADE * math.log10(127 / velocity) / step)
    return max(round(127 * 10 ** (-below * step / _DB_A_DECADE)), 1)


def _stroke(start: int, note: Played, again: int | None, choke: int | None) -> Stroke:
    """`again` and `choke`: the samples at which the note is struck again, and cut off."""
    hold = sample_at(note.start + note.duration) - start
    if again is not None:
        hold = min(hold, again - start)
    cut = None if choke is None else choke - start
    return Stroke(start, max(hold, 1), cut, note.key, note.velocity)


def takes(keys: Iterable[int], count: int) -> Iterator[int]:
    """Which of `count` takes each of some notes is: a key that comes again is another one."""
    turns: dict[int, int] = {}
    for key in keys:
        turns[key] = turns.get(key, key) + 1
        yield turns[key] % count


# The stretch of a performance that a file holds.

# Seconds by which a player may be before the beat: such a note belongs to the beat, and in a loop
# it is heard at the end of the round before.
_JUST_BEFORE = 0.05


def passage(performance: Performance, loop: tuple[float, float] | None) -> tuple[Performance, int]:
    """A performance, or what a loop has of it from its first sample on; and its length in
    samples."""
    if loop is None:
        return performance, sample_at(performance.seconds)
    begin, end = loop
    length = sample_at(end) - sample_at(begin)
    voices = tuple(_within(voice, begin, end) for voice in performance.voices)
    origin = sample_at(begin) / RATE
    words = tuple(  # no key: another one's name would be said, and the loop comes back to its own
        replace(word, start=word.start - origin)
        for word in performance.words
        if begin <= word.start < end and not word.names_key
    )
    return replace(performance, voices=voices, seconds=length / RATE, words=words), length


def _within(voice: Voice, begin: float, end: float) -> Voice:
    origin = sample_at(begin) / RATE
    length = (sample_at(end) - sample_at(begin)) / RATE
    notes = []
    for note in voice.notes:
        if begin <= note.start < end:
            notes.append(_moved(note, -origin))
        elif begin - _JUST_BEFORE <= note.start < begin and voice.part not in ("click", "cue"):
            notes.append(_moved(note, length - origin))
    return replace(voice, notes=tuple(sorted(notes, key=lambda note: (note.start, note.key))))


def _moved(note: Played, seconds: float) -> Played:
    return replace(note, start=max(note.start + seconds, 0.0))


# Note-offs: 0.07 (drum strokes are short), 0.2 and 0.8 s.
_SHORT, _EARLY, _LATE = 48 * GRID, 138 * GRID, 552 * GRID
_TAIL = 345 * GRID  # 0.5 s
_TOLERANCE = 10 ** (-43 / 20)  # error of the law against the whole note
_HEARD = 10 ** (-50 / 20)  # of the peak: below it the fit does not look
FLOOR = -84.0  # dB: a tail is cut here, below the dither when it is the loudest note there is
# The release, in timecents, that FluidSynth gives a voice that another of its exclusive class cuts
# off (fluid_voice_kill_excl): a fall by 96 dB.  It is shorter since 2.4.3, which has "faster
# exclusive class note cutoff" (FluidSynth's pull request 1468).
_CUT_OFF, _CUT_OFF_FASTER, _FASTER_SINCE = -200, -2000, (2, 4, 3)
_HOLDS = (_SHORT, _EARLY)
# A melodic note is seldom as short as _SHORT; where it is, this much error is below the rest.
_TOLERANCE_SHORT = 10 ** (-37 / 20)
_COARSE = (32, 16, 8, 4)  # of the grid: in drums, note-off often changes little
_SLOWEST, _FASTEST = -1.0, -20000.0  # dB a second


class Law(NamedTuple):
    """How a note ends."""

    rate: float | None  # dB a second from note-off on; 0: not at all; None: no law holds
    steps: int  # of the grid, to which note-off may be rounded where no law holds


def measured_release(synth: Synth, percussion: bool, key: int, velocity: int) -> float | None:
    """The selected preset's fall after note-off in dB a second, if it follows the law.

    It may depend on key and velocity: soundfonts have layers.  0: note-off changes nothing, as in
    most drums.
    """
    held = synth.note(percussion, key, velocity, _LATE + _TAIL, _LATE + _TAIL)
    released = {
        off: synth.note(percussion, key, velocity, off, off + _TAIL)
        for off in (_SHORT, _EARLY, _LATE)
    }
    most = dict.fromkeys(released, _TOLERANCE)
    if not percussion:
        most[_SHORT] = _TOLERANCE_SHORT
    fitted = fitted_fall(held, released[_EARLY], _EARLY)
    rates = [0.0] if fitted is None else [0.0, float(f"{fitted:.3g}")]
    for rate in (rate for rate in rates if rate == 0 or _FASTEST < rate < _SLOWEST):
        if all(_error(held, copy, off, rate) < most[off] for off, copy in released.items()):
            return rate
    return None


def measured_law(synth: Synth, percussion: bool, key: int, velocity: int) -> Law:
    """How the selected preset's notes end, and how exactly note-off must be kept."""
    rate = measured_release(synth, percussion, key, velocity)
    if rate is not None:
        return Law(rate, 1)
    note = partial(synth.note, percussion, key, velocity)
    for steps in _COARSE:
        later = steps * GRID // 2
        pairs = ((note(off + later, off + _TAIL), note(off, off + _TAIL)) for off in _HOLDS)
        if all(_unlike(late, true) < _TOLERANCE for late, true in pairs):
            return Law(None, steps)
    return Law(None, 1)


def fall(rate: float, count: int) -> Samples:
    """Factors of `count` samples from note-off on, for a fall of `rate` dB a second."""
    step = 10 ** (rate * GRID / RATE / 20)
    levels = step ** np.arange(-(-count // GRID), dtype=np.float64)
    straight = 1 - (1 - step) * np.arange(GRID) / GRID
    return np.outer(levels.astype(np.float32), straight.astype(np.float32)).ravel()[:count]


@cache
def choke_fall() -> float:
    """How a stroke that is cut off by another falls, in dB a second."""
    version = tuple(int(number) for number in library().version.split("."))
    timecents = _CUT_OFF_FASTER if version >= _FASTER_SINCE else _CUT_OFF
    return -96.0 / 2 ** (timecents / 1200)


@lru_cache(maxsize=256)
def curve(rate: float) -> Samples:
    """The whole of a fall, until it has reached FLOOR."""
    return fall(rate, tail(rate))


def tail(rate: float) -> int:
    """Samples until a fall has reached FLOOR."""
    return math.ceil(FLOOR / rate * RATE)


def fitted_fall(held: Samples, released: Samples, off: int) -> float | None:
    """The fall in dB a second from the sample `off` on that fits best, weighted by level.

    None if there is nothing to hear.
    """
    count = (min(held.shape[1], released.shape[1]) - off) // GRID
    if count < 2:
        return None
    before, after = (_levels(copy[:, off : off + count * GRID]) for copy in (held, released))
    heard = (after > before.max() * _HEARD) & (before > before.max() * _HEARD)
    if before.max() == 0 or heard.sum() < 2:
        return None
    times = (np.arange(count)[heard] + 0.5) * GRID / RATE
    levels = 20 * np.log10(after[heard] / before[heard])
    weights = after[heard]
    return float((weights * times * levels).sum() / (weights * times * times).sum())


def _error(held: Samples, released: Samples, off: int, rate: float) -> float:
    """RMS error of the law in the first _TAIL after note-off against the RMS of the whole note."""
    whole = float(np.square(released, dtype=np.float64).sum())
    before, true = held[:, off : off + _TAIL], released[:, off : off + _TAIL]
    return _unlike(before * fall(rate, before.shape[1]), true, whole)


def _unlike(model: Samples, true: Samples, whole: float | None = None) -> float:
    """RMS of a difference against that of the whole, which is the energy of `true` if not given."""
    error = np.zeros((2, max(model.shape[1], true.shape[1])))
    error[:, : true.shape[1]] += true
    against = float(np.square(error).sum()) if whole is None else whole
    error[:, : model.shape[1]] -= model
    return math.sqrt(float(np.square(error).sum()) / against) if against else 0.0


def _levels(samples: Samples) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """RMS-like level of each piece of GRID samples, both channels together."""
    power = np.square(samples, dtype=np.float64).sum(axis=0).reshape(-1, GRID).sum(axis=1)
    return np.asarray(np.sqrt(power))


# Which velocities sound alike.
#
# Where velocity only makes a note louder, as in most presets, one copy serves them all, and the
# gain is measured: FluidSynth rounds levels to tenths of a decibel. How fast a note falls after
# note-off may depend on the velocity all the same, so that is measured too. Where velocity also
# changes the sound (filters, layers of samples), a copy of a velocity nearby serves, and where none
# is like it, the nearest of `step_of`. Compared is how a note begins, which is where
# velocity tells.

COUNT = 80 * GRID  # samples compared, 116 ms
_OFF = 32 * GRID  # samples until note-off, where the fall is measured
_FIRST = 100  # the velocity that is tried first
_WIDE = 6.0  # dB between those that are tried next
_ALIKE = 10 ** (-60 / 20)  # RMS of the difference against the note
_STEADY = 0.015  # by which falls may differ and still be called the same


class Touch(NamedTuple):
    """What is rendered instead of a velocity."""

    velocity: int
    gain: float  # that it lacks
    fall: float  # how many times as fast the true velocity falls after note-off


class Beginnings:
    """How a key of the selected preset begins, at each velocity; rendered once each."""

    def __init__(self, synth: Synth, percussion: bool, key: int) -> None:
        self._note = partial(synth.note, percussion, key)
        self._held: dict[int, Samples] = {}
        self._falls: dict[int, float] = {}

    def held(self, velocity: int) -> Samples:
        """Shape (2, COUNT)."""
        if velocity not in self._held:
            self._held[velocity] = self._rendered(velocity, COUNT)
        return self._held[velocity]

    def fall(self, velocity: int) -> float:
        """In dB a second, by the first moments after note-off; 0 if it does not fall."""
        if velocity not in self._falls:
            released = self._rendered(velocity, _OFF)
            self._falls[velocity] = min(fitted_fall(self.held(velocity), released, _OFF) or 0.0, 0)
        return self._falls[velocity]

    def _rendered(self, velocity: int, hold: int) -> Samples:
        raw = self._note(velocity, hold, COUNT)
        return np.pad(raw, ((0, 0), (0, COUNT - raw.shape[1])))


def touches(begin: Beginnings, velocities: Iterable[int]) -> dict[int, Touch]:
    """For each velocity the one that is rendered for it."""
    return {velocity: _touch(begin, velocity) for velocity in velocities}


def _touch(begin: Beginnings, velocity: int) -> Touch:
    nearest = step_of(velocity)
    for other in dict.fromkeys((_FIRST, step_of(velocity, _WIDE), nearest)):
        gain, error = _fitted(begin.held(other), begin.held(velocity))
        if error < _ALIKE or other == nearest:
            own, rendered = begin.fall(velocity), begin.fall(other)
            faster = own / rendered if rendered else 1.0
            return Touch(other, gain, 1.0 if abs(faster - 1) < _STEADY else faster)
    raise AssertionError("unreachable: the nearest step is always taken")


def _fitted(model: Samples, true: Samples) -> tuple[float, float]:
    """The gain by which a note is most like another, and how unlike it stays."""
    power = float(np.vdot(model, model))
    size = float(np.vdot(true, true))
    if power == 0 or size == 0:
        return 1.0, 0.0 if power == size else 1.0
    gain = float(np.vdot(model, true)) / power
    if gain <= 0:
        return math.sqrt(size / power), 1.0
    rest = true - np.float32(gain) * model
    return gain, math.sqrt(float(np.vdot(rest, rest)) / size)


# Which strokes of a percussion kit silence which others.
#
# A soundfont puts such strokes into an exclusive class (SoundFont 2.04, 8.1.3, exclusiveClass):
# closed, pedal and open hi-hat as a rule. FluidSynth is asked instead of the file: one stroke, then
# another a little later; if less is left of the first than when it sounds alone, it has been cut.

_LATER = 32 * GRID  # samples from the first stroke to the second
_LOOK = 96 * GRID  # samples compared, the last of what is rendered
_ALL = 160 * GRID
_VELOCITY = 100
_LEFT = 10 ** (-6 / 20)  # a cut stroke has fallen by 8 dB at least where it is compared
_AUDIBLE = 1e-4


def measured_chokes(synth: Synth, keys: tuple[int, ...]) -> frozenset[tuple[int, int]]:
    """The pairs (key, key that it cuts off) of the selected kit, a key itself among them."""
    alone = {key: _alone(synth, key) for key in keys}
    ringing = [key for key in keys if np.abs(alone[key][:, -_LOOK:]).max() > _AUDIBLE]
    return frozenset(
        (by, cut) for cut in ringing for by in keys if _cuts(synth, by, cut, alone[by], alone[cut])
    )


def _cuts(synth: Synth, by: int, cut: int, second: Samples, first: Samples) -> bool:
    synth.on(True, cut, _VELOCITY)
    synth.read(_LATER)
    synth.on(True, by, _VELOCITY)
    both = synth.read(_ALL - _LATER)
    synth.clear()
    left = both[:, -_LOOK:] - second[:, _ALL - _LATER - _LOOK : _ALL - _LATER]
    return _size(left) < _size(first[:, -_LOOK:]) * _LEFT


def _alone(synth: Synth, key: int) -> Samples:
    """One stroke, struck once before for the reason given in `Synth.note`."""
    for _ in range(2):
        synth.on(True, key, _VELOCITY)
        samples = synth.read(_ALL)
        synth.clear()
    return samples


def _size(samples: Samples) -> float:
    return float(np.sqrt(np.square(samples, dtype=np.float64).sum()))

"""How loud each part is as it sounds, the level at which it stands where it should, and how far the
band steps back under a spoken word.

The loudness of a part is that of ITU-R BS.1770-5, gated, reckoned from the weighted energies of its
notes (`samples.Copy.energies`): notes that sound together add up as energies, since they are of
different pitch.  So a part need not be mixed to be measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from drillgen.performance import Performance, Voice
from drillgen.score import PartName
from drillgen.sound.fluidsynth import HOP, RATE, Samples
from drillgen.sound.loudness import Floats, loudness_of

BASS = -21.0  # LUFS: where a band's bass stands, so that the mix needs little gain
_BAND: tuple[PartName, ...] = ("drums", "comping", "bass")
# LU by which a line that never rests stands back: it needs not be in front to be heard (common
# practice), and so demonstrations of drills with and without responses are equally loud.
_NEVER_RESTS = 1.2
_SOUNDS = 0.01  # of its mean energy: a part is playing
_WHOLE_BAND = 3.0  # LU against its bass: two more as loud as the bass is when they are together
_LEAST, _MOST = -40.0, 30.0  # dB: no instrument of a soundfont needs more


class SoundingNote(NamedTuple):
    """A note, as far as its loudness goes."""

    start: int  # sample of the track
    off: int | None  # samples until it begins to fall; None: it ends by itself
    rate: float  # dB a second of that fall, below 0
    cut: int | None  # samples until it is choked
    energies: Floats  # of each HOP of its copy, on one side, weighted
    gain: float  # amplitude


def energies_of(notes: Iterable[SoundingNote], length: int) -> Floats:
    """The weighted energy of each HOP of a part, in the middle at 0 dB, in so many samples."""
    hops = np.zeros(length // HOP + 1)
    for note in notes:
        energies = _until_its_end(note)
        first = min(round(note.start / HOP), len(hops) - 1)
        count = min(len(energies), len(hops) - first)
        hops[first : first + count] += (2 * note.gain**2) * energies[:count]
    return hops


def _until_its_end(note: SoundingNote) -> Floats:
    """The energies that are left of a note."""
    left, count = note.energies, len(note.energies)
    if note.cut is not None and note.cut < count * HOP:
        left = left[: note.cut // HOP + 1] * _share(note.cut // HOP + 1, note.cut)
    if note.off is not None and note.off < len(left) * HOP:
        held = _share(len(left), note.off)
        after = np.maximum(np.arange(len(left)) + 0.5 - note.off / HOP, 0.0)
        falls = 10 ** (note.rate / 10 * HOP / RATE * after)
        left = left * (held + (1 - held) * falls)
    return left


def _share(count: int, end: int) -> Floats:
    """Of each of some hops, the share of its energy that comes before a sample."""
    share = np.clip(end / HOP - np.arange(count), 0.0, 1.0)
    share[0] = math.sqrt(share[0])  # a note's first hop has most of it at the start
    return np.asarray(share, np.float64)


def levelled(performance: Performance, parts: Mapping[PartName, Floats]) -> Performance:
    """The performance with every part as loud as it should be; `parts`: the energies of each.

    A voice without a loudness of its own keeps its level, and so does one that is not heard.  Then
    the band as a whole is brought to where a whole one is, so that the line stands in front of it
    as it does in other tracks, and play-alongs are as loud.
    """
    asked = {v.part: v.loudness for v in performance.voices if v.loudness is not None}
    there = {part: _loudness(parts[part]) for part in asked if part in parts}
    levels = {p: BASS + asked[p] - found for p, found in there.items() if math.isfinite(found)}
    band = [part for part in levels if part in _BAND]
    if band:
        together = sum(parts[part] * 10 ** (levels[part] / 10) for part in band)
        apart = BASS + _WHOLE_BAND - _loudness(np.asarray(together))
        levels |= {part: levels[part] + apart for part in band}
        if "line" in levels:
            levels["line"] -= _NEVER_RESTS * _busy(parts["line"], np.asarray(together))
    return replace(performance, voices=tuple(_at(voice, levels) for voice in performance.voices))


def _busy(line: Floats, band: Floats) -> float:
    """0 for a line that plays half of the time or less in which its band does, 1 for one that plays
    through."""
    played, through = (each > _SOUNDS * each.mean() for each in (line, band))
    return float(np.clip(2 * np.mean(played[through]) - 1, 0, 1)) if through.any() else 0.0


def _at(voice: Voice, levels: Mapping[PartName, float]) -> Voice:
    if voice.part not in levels:
        return voice
    return replace(voice, level=round(min(max(levels[voice.part], _LEAST), _MOST), 2))


def _loudness(energies: Floats) -> float:
    return loudness_of([(energies, HOP)])


# Under a spoken word the band steps back by some decibels, on ramps that nobody hears as such.
#
# A voice is understood by how far it stands above what plays beside it, at 1 to 4 kHz above all
# (ANSI S3.5-1997, from memory): `python -m benchmarks.speech` measures what the figures below
# bring. The page does the same (`page/web/duck.js`) by the same figures.

STEP_BACK = 6.0  # dB
COMES, GOES = 0.1, 0.25  # seconds before a word and after it
YIELDING = frozenset(_BAND)  # line and click stay


class Ducking:
    """How far the band stands back in each moment of a track: straight lines in decibels.

    Between words that follow each other so closely that both ramps would meet it stays down.
    """

    def __init__(self, spoken: Iterable[tuple[int, int]]) -> None:
        """`spoken`: from which sample of the track to which something is said."""
        joined: list[tuple[int, int]] = []
        for start, end in sorted(spoken):
            if joined and start - joined[-1][1] < (COMES + GOES) * RATE:
                joined[-1] = joined[-1][0], max(joined[-1][1], end)
            else:
                joined.append((start, end))
        ends = ((s - COMES * RATE, s, e, e + GOES * RATE) for s, e in joined)
        self._places = np.array([place for four in ends for place in four], np.float64)
        self._decibels = np.tile([0.0, -STEP_BACK, -STEP_BACK, 0.0], len(joined))

    def moves(self, begin: int, count: int) -> bool:
        """Whether the band stands back anywhere in `count` samples from `begin` on."""
        first, last = np.searchsorted(self._places, (begin, begin + count))
        return bool(first != last or first % 4)

    def factors(self, begin: int, count: int) -> Samples | None:
        """The band's gain at `count` samples from `begin` on; None: it plays as it stands."""
        if not self.moves(begin, count):
            return None
        decibels = np.interp(np.arange(begin, begin + count), self._places, self._decibels)
        return np.asarray(10 ** (decibels / 20), np.float32)

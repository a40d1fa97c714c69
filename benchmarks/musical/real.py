"""What real players were measured to do: medians, and where 10 to 90 % of tracks lie.

Sources: the Jazz Trio Database (JTD: 17 trios, onsets annotated by hand, whose error of 5 to 8 ms
is in the figures; MIT) and the Groove MIDI Dataset (GM: 6 to 8 jazz performances with a ride,
drummers alone on an electronic kit; CC BY 4.0).  Where no spread was published the range is ours:
from two thirds to half as much again, for correlations 0.12 to either side, for the spectral slope
0.2, for the piano's ratio 0.3, for the sd of bass minus drums at one tempo about a sixth.  How the
comping listens was not measured: a demanding teacher's reading of 56 drills stands for it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Real:
    """A measured figure."""

    median: float
    low: float
    high: float
    source: str


def _about(median: float, source: str) -> Real:
    return Real(median, median / 1.5, median * 1.5, source)


def _near(median: float, source: str) -> Real:
    return Real(median, median - 0.12, median + 0.12, source)


BANDS = ((100, 140), (140, 180), (180, 220), (220, 260), (260, 340))  # bpm
# Of 220 to 260 one median is known: the range is that of the straight line through all, with the
# residual's 10 to 90 %.
_RATIOS = ((2.23, 1.8, 3.0), (2.55, 2.2, 2.7), (2.07, 1.7, 2.2), (1.33, 1.2, 2.4), (1.6, 1.3, 2.2))
_SHORT = Real(14.5, 10, 20, "JTD")

SWING = {
    **{
        f"ride ratio at {low} to {high}": Real(*ratio, "JTD")
        for (low, high), ratio in zip(BANDS, _RATIOS, strict=True)
    },
    **{f"sd of the short note at {low} to {high}, ms": _SHORT for low, high in BANDS},
    "slope of the line through the ratios, per 100 bpm": Real(-0.42, -0.63, -0.28, "JTD"),
    "residual of the ratios from that line": Real(0.48, 0.32, 0.72, "JTD"),
    "spread of the ratio within a track": Real(0.25, 0.16, 0.40, "JTD"),
    "slow drift's share of the ratio's variance": _near(0.11, "JTD"),
    "piano's off-beat ratio at 100 to 180": Real(2.2, 1.9, 2.5, "JTD"),
    "piano's off-beat ratio at 180 to 240": Real(1.9, 1.6, 2.2, "JTD"),
    "piano's off-beat ratio at 240 to 300": Real(1.5, 1.2, 1.8, "JTD"),
    "sd of the piano's off-beats, share of a beat": _about(0.08, "JTD"),
}

TIMING = {
    "bass minus drums: median, ms": Real(6, -3, 19, "JTD"),
    "bass minus drums: sd within a track, ms": Real(20.5, 17, 27, "JTD"),
    "bass minus drums: more than 19 ms apart, %": _about(41, "JTD"),
    "bass minus drums: more than 35 ms apart, %": _about(12, "JTD"),
    "bass minus drums: autocorrelation at 1": _near(0.21, "JTD"),
    "bass minus drums: autocorrelation at 2": _near(0.20, "JTD"),
    "bass minus drums: autocorrelation at 4": _near(0.14, "JTD"),
    "bass minus drums: spectral slope": Real(0.53, 0.33, 0.73, "JTD"),
    "bass minus drums: sd of 32-beat means, ms": _about(5.7, "JTD"),
    "piano minus drums: median, ms": Real(13, 6, 29, "JTD"),
    "piano minus drums: sd within a track, ms": _about(28, "JTD"),
    "local jitter of the drums, ms": _about(14, "JTD"),
    "local jitter of the bass, ms": _about(12, "JTD"),
    "local jitter of the piano, ms": _about(18, "JTD"),
    "drums' beat lengths: autocorrelation at 1": _near(-0.43, "JTD"),
    "drums' beat lengths: autocorrelation at 2": _near(0.23, "JTD"),
    "wandering within 32 beats, ms": Real(14, 10, 23, "JTD"),
    "tempo's range, 16-beat means, %": Real(3.4, 1.7, 6.3, "JTD"),
    "tempo from the first quarter to the last, %": _about(1.6, "JTD"),
}
BY_TEMPO = {
    "bass minus drums: sd at 100 bpm, ms": Real(26, 22, 30, "JTD"),
    "bass minus drums: sd at 280 bpm, ms": Real(17, 14, 20, "JTD"),
    "local jitter of the bass at 100 bpm, ms": _about(16, "JTD"),
    "local jitter of the bass at 280 bpm, ms": _about(10, "JTD"),
}

RIDE = {
    "ride strokes a bar": Real(5.2, 4.6, 6.2, "GM"),
    "beats with a skip note": Real(0.42, 0.31, 0.70, "GM"),
    "velocity on 2 and 4 over 1 and 3": Real(1.22, 1.06, 1.42, "GM"),
    "velocity of a skip note over an on-beat stroke": Real(0.79, 0.69, 0.99, "GM"),
}
TOUCH = {
    "sd of velocity in one place: ride": _about(0.20, "GM"),
    "sd of velocity in one place: skip note": _about(0.25, "GM"),
    "sd of velocity in one place: foot hi-hat": _about(0.23, "GM"),
    "sd of velocity in one place: bass drum": _about(0.25, "GM"),
    "sd of velocity in one place: snare": _about(0.67, "GM"),
    "neighbours' deviations correlate": _near(0.09, "GM"),
}
KIT = {
    "snare strokes a bar": Real(2.9, 0.4, 3.7, "GM"),
    "snare: 10 to 90 % of velocities apart": _about(59, "GM"),
    "bass drum strokes a bar": Real(1.4, 0.4, 2.8, "GM"),
    "toms and crashes a bar": Real(1.2, 0.4, 2.0, "GM"),
}
_TEACHER = "a teacher's reading (common practice)"
COMPING = {
    "chords with their root or written bass sounded, the least track, %": Real(
        100, 95, 100, _TEACHER
    ),
    "comping: silent bars, %": Real(12.5, 10, 15, _TEACHER),
    "comping: strokes in calls, % of those in responses": Real(55, 50, 60, _TEACHER),
    "comping: top voice: stays, %": Real(25, 0, 35, _TEACHER),
    "comping: top voice: step, %": Real(60, 45, 75, _TEACHER),
    "comping: top voice: third, %": Real(15, 8, 25, _TEACHER),
}
BARS = {
    "different bars of the kit in 32": Real(31, 21, 32, "GM"),
    "a bar of the kit in 32 at most": Real(1, 1, 3, "own bar"),
}

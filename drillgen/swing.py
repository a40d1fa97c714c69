"""Swing: how long the first eighth note of a beat is against the second.

Regression of drummers' ratios on tempo: 4.9396 - 0.0124 bpm, from A. Friberg's Director Musices
rule source (KTH), after Friberg & Sundström, "Swing ratios and ensemble timing in jazz
performance", Music Perception 19:333, 2002, who found up to 3.5:1 at slow tempos and towards 1:1
at fast ones; beyond what was measured the line is not drawn on.
"""

from __future__ import annotations

from fractions import Fraction

SLOWEST_RATIO, FASTEST_RATIO = 3.5, 1.0


def published_ratio(beats_a_minute: float) -> float:
    """The drummer's long:short ratio at a tempo in quarter notes a minute."""
    return min(max(4.9396 - 0.0124 * beats_a_minute, FASTEST_RATIO), SLOWEST_RATIO)


def swung(place: Fraction, beat: Fraction, ratio: Fraction) -> Fraction:
    """Where a written place (quarter notes) is played.

    The beat's halves are stretched to `ratio` : 1, and whatever divides them by two with them;
    triplets and other divisions are played as written.
    """
    beats, into = divmod(place, beat)
    part = into / beat
    if part.denominator & (part.denominator - 1):  # no power of two
        return place
    long = ratio / (ratio + 1)
    half = Fraction(1, 2)
    played = part * 2 * long if part <= half else long + (part - half) * 2 * (1 - long)
    return (beats + played) * beat

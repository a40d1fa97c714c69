"""How often neighbouring bars of a part are played alike."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise

from quicktions import Fraction

from benchmarks.musical.figure import Figure, share
from drillgen.band.feel import KEYS
from drillgen.score import Hit, Note, Score

# At most this share of bars is like the bar before, per cent.  A ride repeats its pattern and a
# drummer is valued for it (common practice); a bar of comping or bass alike is heard as a machine.
_ALLOWED = {"ride": 50.0, "drums": 10.0, "comping": 10.0, "bass": 10.0}

_WORST = {"drums": 15.0, "comping's rhythm": 20.0}  # in any feel and meter

Bars = dict[int, set[tuple[Fraction, int]]]


def alike(scores: Iterable[Score]) -> Iterator[Figure]:
    """`bass` counts walking only: roots are held as written."""
    again = dict.fromkeys(_ALLOWED, 0)
    total = dict.fromkeys(_ALLOWED, 0)
    for score in scores:
        for name, bars in _parts(score):
            for one, other in pairwise(sorted(bars)):
                if other == one + 1:
                    total[name] += 1
                    again[name] += bars[one] == bars[other]
    for name, allowed in _ALLOWED.items():
        measured = share(again[name], total[name])
        source = "common practice" if name == "ride" else "this project's own bar"
        label = f"{name}: bars like the bar before, of {total[name]}"
        yield Figure(label, measured, (0, allowed), source, " %")


def by_feel(scores: Iterable[Score]) -> Iterator[Figure]:
    """The same for drums and for the comping's rhythm in each feel and meter: the worst of them."""
    found: dict[str, dict[str, list[int]]] = {"drums": {}, "comping's rhythm": {}}
    for score in scores:
        drill, parts = score.chart.drill, {part.name: part for part in score.parts}
        where = f"{drill.feel} {drill.meter}"
        rhythm = {
            n: {(at, 0) for at, _ in b} for n, b in _bars(score, parts["comping"].notes).items()
        }
        for name, bars in (
            ("drums", _bars(score, parts["drums"].hits)),
            ("comping's rhythm", rhythm),
        ):
            found[name].setdefault(where, []).extend(
                bars[one] == bars[other]
                for one, other in pairwise(sorted(bars))
                if other == one + 1
            )
    for name, shares in found.items():
        worst = max(shares, key=lambda where: share(sum(shares[where]), len(shares[where])))
        measured = share(sum(shares[worst]), len(shares[worst]))
        label = f"{name}: bars like the bar before, of {len(shares)} feels and meters {worst}"
        yield Figure(label, measured, (0, _WORST[name]), "this project's own bar", " %")


def _parts(score: Score) -> Iterator[tuple[str, Bars]]:
    drums, comping, bass = (score.part(name) for name in ("drums", "comping", "bass"))
    if drums is not None:
        yield "drums", _bars(score, drums.hits)
        ride = [hit for hit in drums.hits if hit.key == KEYS["ride cymbal"]]
        yield "ride", _bars(score, ride)
    if comping is not None:
        yield "comping", _bars(score, comping.notes)
    if bass is not None and score.chart.drill.band.bass.kind == "walking":
        yield "bass", _bars(score, bass.notes)


def _bars(score: Score, events: Iterable[Note | Hit]) -> Bars:
    bars: Bars = defaultdict(set)
    for event in events:
        bar = score.chart.bar_at(event.start)
        if bar.form_bar >= 0:
            key = event.key if isinstance(event, Hit) else event.pitch.midi
            bars[bar.number].add((event.start - bar.start, key))
    return bars

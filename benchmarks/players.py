"""`python -m benchmarks.players`: our performances beside measured ones, row by row.

A hundred tracks of swing from 100 to 340 beats a minute, half of them call and response with a
line, and twenty of each other feel; then the walking bass of the swing beside recorded ones.
`--tracks 20 --others 5` is quicker; `--seed` takes other tracks.
Exits with 1 where fewer than nine rows of ten of the swing lie inside the real spread.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from benchmarks.musical.corpus import CHANGES, FORMS, one
from benchmarks.musical.players import Spread, summary, track
from benchmarks.musical.real import BARS, BY_TEMPO, COMPING, KIT, RIDE, SWING, TIMING, TOUCH, Real
from benchmarks.musical.walking_players import walking_players
from drillgen.drill.band import basses, meters, playable_feels
from drillgen.drill.bars import METERS
from drillgen.score import Score

_FORMS = ("blues", "thirty-two bars")
_CALLED = {"line": "guide tones", "gaps": 4}
# Tempos that a feel is played at, in beats a minute (common practice).
_TEMPOS = {
    "swing": (100, 340), "two-feel": (90, 200), "ballad": (54, 76), "jazz waltz": (110, 210),
    "bossa nova": (110, 160), "samba": (180, 240), "shuffle": (100, 170),
    "straight eighths": (110, 180), "slow 12/8": (54, 76), "five-four swing": (120, 190),
}  # fmt: skip
_ENOUGH = 0.9


def main() -> int:
    """Measure and print; 0 where enough of the swing's rows lie inside."""
    parser = argparse.ArgumentParser(description="Our players beside measured ones.")
    parser.add_argument("--tracks", type=int, default=100, help="of swing")
    parser.add_argument("--others", type=int, default=20, help="of each other feel")
    parser.add_argument("--seed", type=int, default=0, help="where the seeds begin")
    options = parser.parse_args()
    common = {**TIMING, **TOUCH, **COMPING, **BARS}
    swing = list(_scores("swing", options.tracks, options.seed))
    share = _table("swing", swing, {**SWING, **BY_TEMPO, **RIDE, **KIT, **common})
    _walking(swing)
    for feel in playable_feels() if options.others else ():
        if feel != "swing":
            _table(feel, _scores(feel, options.others, options.seed), common)
    return 0 if share >= _ENOUGH else 1


def _walking(scores: Sequence[Score]) -> None:
    """The band's bass of some tracks of swing, beside recorded ones."""
    print("\nthe band's walking bass\n\n| figure | ours | real range | inside | source |")
    print("| --- | --- | --- | --- | --- |")
    found = list(walking_players(scores))
    for figure in found:
        print(figure)
    print(f"\n{sum(figure.holds for figure in found)} of {len(found)} rows inside.")


def _scores(feel: str, count: int, seed: int) -> Iterator[Score]:
    slow, fast = _TEMPOS.get(feel, (100, 200))
    for number in range(count):
        more: dict[str, Any] = _CALLED if number % 2 else {}
        tempo = round(slow + (fast - slow) * (number + 0.5) / count)
        # Two chords share no bar of three or five.
        form = FORMS[_FORMS[number // 2 % 2]] if METERS[meters(feel)[0]].beats == 4 else CHANGES
        yield one(feel=feel, tempo=tempo, progression=form, key_cycle=["Bb", "F"], passes=3,
                  seed=seed + number, title=f"{feel} {number}",
                  band={"drums": "sticks", "comping": "piano", "bass": basses(feel)[-1]},
                  **more)  # fmt: skip


def _table(feel: str, scores: Iterable[Score], rows: Mapping[str, Real]) -> float:
    """One feel's table; the share of its rows that lie inside."""
    found = summary([track(score) for score in scores])
    print(f"\n{feel}\n\n| figure | real | 10 to 90 % | ours | 10 to 90 % | inside | source |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    inside = [_row(name, real, found[name]) for name, real in rows.items() if name in found]
    missing = [name for name in rows if name not in found]
    print(
        f"\n{sum(inside)} of {len(inside)} rows inside."
        + (f"  Not played: {'; '.join(missing)}." if missing else "")
    )
    return sum(inside) / max(len(inside), 1)


def _row(name: str, real: Real, ours: Spread) -> bool:
    low, middle, high = ours
    inside = real.low <= middle <= real.high
    print(
        f"| {name} | {real.median:g} | {real.low:.3g} to {real.high:.3g} | {middle:.2f} "
        f"| {low:.2f} to {high:.2f} | {'yes' if inside else 'NO'} | {real.source} |"
    )
    return inside


if __name__ == "__main__":
    sys.exit(main())

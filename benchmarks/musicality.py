"""`python -m benchmarks.musicality`: how the band plays, each figure beside its bar.

Measured over every preset, over common forms in three keys, with four comping instruments, at five
tempos, and over every feel in every meter; lines made from the chords in twelve keys; phrases over
every preset that has some, in twelve keys and with eight seeds, with fifty by `--all`.
`--seeds 3` measures more of the forms and phrases; `--only lines phrases` prints these tables
alone; `--audio` also renders tracks and listens to them (needs librosa and a soundfont).  Exits
with 1 where a bar is not met.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from functools import cache

from benchmarks.musical.accompaniment import accompaniment
from benchmarks.musical.alike import alike, by_feel
from benchmarks.musical.comping import comping
from benchmarks.musical.corpus import called, feels, forms, presets
from benchmarks.musical.figure import Figure
from benchmarks.musical.fingering import fingering
from benchmarks.musical.lines import lines
from benchmarks.musical.phrases import phrases
from benchmarks.musical.sides import sides
from benchmarks.musical.teaching import teaching
from benchmarks.musical.timing import timing
from benchmarks.musical.walking import study, walking
from drillgen.score import Score

PHRASE_SEEDS, ALL_PHRASE_SEEDS = 8, 50


Tables = dict[str, Callable[[], Iterator[Figure]]]


def main() -> int:
    """Measure and print; 0 where every bar is met."""
    parser = argparse.ArgumentParser(description="How the band plays, beside its bars.")
    parser.add_argument("--seeds", type=int, default=1, help="how often each form is written")
    parser.add_argument("--all", action="store_true", help="fifty seeds of each phrase")
    parser.add_argument("--audio", action="store_true", help="render and listen, too")
    parser.add_argument("--only", nargs="+", choices=_tables(1, 1), help="these tables alone")
    options = parser.parse_args()
    print("| figure | measured | bar | met | source |\n| --- | --- | --- | --- | --- |")
    missed = 0
    phrase_seeds = options.seeds * (ALL_PHRASE_SEEDS if options.all else PHRASE_SEEDS)
    tables = _tables(options.seeds, phrase_seeds)
    for figure in _figures(tables, options.only, options.audio):
        print(figure, flush=True)
        missed += not figure.holds
    print(f"\n{missed} bars not met." if missed else "\nEvery bar is met.")
    return 1 if missed else 0


def _figures(tables: Tables, only: Sequence[str] | None, listen: bool) -> Iterator[Figure]:
    for name, table in tables.items():
        if only is None or name in only:
            yield from table()
    if listen:
        from benchmarks.musical.audio import audio

        yield from audio()


def _tables(seeds: int, phrase_seeds: int) -> Tables:
    """Each table by its name; what several of them measure is written once."""

    @cache
    def scores() -> list[Score]:
        return [*presets(), *forms(seeds)]

    @cache
    def in_feels() -> list[Score]:
        return list(feels())

    return {
        "size": lambda: _size(scores()),
        "comping": lambda: comping(scores()),
        "accompaniment": lambda: accompaniment(scores()),
        "walking": lambda: walking(scores()),
        "study": lambda: study(2 * seeds),
        "alike": lambda: alike(scores()),
        "feels": lambda: by_feel(in_feels()),
        "sides": lambda: sides(in_feels()),
        "timing": timing,
        "phrases": lambda: phrases(called(phrase_seeds)),
        "fingering": lambda: fingering(presets()),
        "lines": lines,
        "teaching": teaching,
    }


def _size(scores: Sequence[Score]) -> Iterator[Figure]:
    bars = sum(bar.form_bar >= 0 for score in scores for bar in score.chart.bars)
    yield Figure("tracks", len(scores), None, "")
    yield Figure("bars", bars, None, "")


if __name__ == "__main__":
    sys.exit(main())

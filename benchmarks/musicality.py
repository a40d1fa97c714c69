"""`python -m benchmarks.musicality`: how the band plays, each figure beside its bar.

Measured over every preset, over common forms in three keys, with four comping instruments, at five
tempos, and over every feel in every meter; lines made from the chords in twelve keys; phrases over
every preset that has some, in twelve keys and with eight seeds, with fifty by `--all`.
`--seeds 4-6` writes forms, studies and phrases with these seeds; `--only lines phrases` prints
these tables alone; `--counts FILE` adds the phrases to those that the file has counted, so that
fifty seeds may be measured in parts (`--only phrases --seeds 1-10 --counts FILE`, then `11-20`);
`--audio` also renders tracks and listens to them (needs a soundfont and librosa, extra `bench`).
Exits with 1 where a bar is not met.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from typing import NamedTuple

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
from benchmarks.running import seeds_asked
from drillgen.score import Score


class _Seeds(NamedTuple):
    """What each kind of table is written with."""

    forms: range = range(1)
    study: range = range(1, 3)
    phrases: range = range(1, 9)


_FIFTY = range(1, 51)
_LINES = ("phrases", "lines")
Tables = dict[str, Callable[[], Iterator[Figure]]]


def main() -> int:
    """Measure and print; 0 where every bar is met."""
    parser = argparse.ArgumentParser(description="How the band plays, beside its bars.")
    parser.add_argument(
        "--seeds", type=seeds_asked, help="from one to another: 1-10", metavar="N-M"
    )
    parser.add_argument("--all", action="store_true", help="fifty seeds of each phrase")
    parser.add_argument("--counts", type=Path, help="counts of phrases to add these to")
    parser.add_argument("--audio", action="store_true", help="render and listen, too")
    parser.add_argument("--only", nargs="+", choices=_tables(_Seeds()), help="these tables alone")
    options = parser.parse_args()
    print("| figure | measured | bar | met | source |\n| --- | --- | --- | --- | --- |")
    seeds = _Seeds(*[options.seeds] * 3) if options.seeds else _Seeds()
    seeds = seeds._replace(phrases=_FIFTY) if options.all else seeds
    missed = 0
    for figure in _figures(seeds, options.counts, options.only, options.audio):
        print(figure, flush=True)
        missed += not figure.holds
    print(f"\n{missed} bars not met." if missed else "\nEvery bar is met.")
    return 1 if missed else 0


def _figures(
    seeds: _Seeds, counts: Path | None, only: Sequence[str] | None, listen: bool
) -> Iterator[Figure]:
    """Most tables in one process, and the lines that take as long as all of these in another."""
    wanted = [name for name in _tables(_Seeds()) if only is None or name in only]
    others = [name for name in wanted if name not in _LINES]
    with ProcessPoolExecutor(2) as pool:
        parts = [
            pool.submit(_measured, names, seeds, counts)
            for names in (others, [name for name in wanted if name in _LINES])
        ]
        for part in parts:
            yield from part.result()
    if listen:
        from benchmarks.musical.audio import audio

        yield from audio()


def _measured(names: Sequence[str], seeds: _Seeds, counts: Path | None) -> list[Figure]:
    tables = _tables(seeds, counts)
    return [figure for name in names for figure in tables[name]()]


def _tables(seeds: _Seeds, counts: Path | None = None) -> Tables:
    """Each table by its name; what several of them measure is written once."""

    @cache
    def as_they_are() -> list[Score]:
        return list(presets())

    @cache
    def scores() -> list[Score]:
        return [*as_they_are(), *forms(seeds.forms)]

    @cache
    def in_feels() -> list[Score]:
        return list(feels())

    return {
        "size": lambda: _size(scores()),
        "comping": lambda: comping(scores()),
        "accompaniment": lambda: accompaniment(scores()),
        "walking": lambda: walking(scores()),
        "study": lambda: study(seeds.study),
        "alike": lambda: alike(scores()),
        "feels": lambda: by_feel(in_feels()),
        "sides": lambda: sides(in_feels()),
        "timing": timing,
        "phrases": lambda: phrases(called(seeds.phrases), counts),
        "fingering": lambda: fingering(as_they_are()),
        "lines": lines,
        "teaching": teaching,
    }


def _size(scores: Sequence[Score]) -> Iterator[Figure]:
    bars = sum(bar.form_bar >= 0 for score in scores for bar in score.chart.bars)
    yield Figure("tracks", len(scores), None, "")
    yield Figure("bars", bars, None, "")


if __name__ == "__main__":
    sys.exit(main())

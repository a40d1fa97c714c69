"""`python -m benchmarks.musicality`: how the band plays, each figure beside its bar.

Measured over every preset, over common forms in three keys, with four comping instruments, at five
tempos, and over every feel in every meter; lines made from the chords in twelve keys; phrases over
every preset that has some, in twelve keys and with fifty seeds.  `--seeds 3` measures more of the
forms and phrases; `--audio` also renders tracks and listens to them (needs librosa and a
soundfont).  Exits with 1 where a bar is not met.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

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

PHRASE_SEEDS = 50


def main() -> int:
    """Measure and print; 0 where every bar is met."""
    parser = argparse.ArgumentParser(description="How the band plays, beside its bars.")
    parser.add_argument("--seeds", type=int, default=1, help="how often each form is written")
    parser.add_argument("--audio", action="store_true", help="render and listen, too")
    options = parser.parse_args()
    print("| figure | measured | bar | met | source |\n| --- | --- | --- | --- | --- |")
    missed = 0
    for figure in _figures(options.seeds, options.audio):
        print(figure, flush=True)
        missed += not figure.holds
    print(f"\n{missed} bars not met." if missed else "\nEvery bar is met.")
    return 1 if missed else 0


def _figures(seeds: int, listen: bool) -> Iterator[Figure]:
    scores = [*presets(), *forms(seeds)]
    bars = sum(bar.form_bar >= 0 for score in scores for bar in score.chart.bars)
    yield Figure("tracks", len(scores), None, "")
    yield Figure("bars", bars, None, "")
    yield from comping(scores)
    yield from accompaniment(scores)
    yield from walking(scores)
    yield from study(2 * seeds)
    yield from alike(scores)
    in_feels = list(feels())
    yield from by_feel(in_feels)
    yield from sides(in_feels)
    yield from timing()
    yield from phrases(called(PHRASE_SEEDS * seeds))
    yield from fingering(presets())
    yield from lines()
    yield from teaching()
    if listen:
        from benchmarks.musical.audio import audio

        yield from audio()


if __name__ == "__main__":
    sys.exit(main())

"""`python -m benchmarks.hearing [--takes N] [--font FILE …]`: how well recorded answers are heard.

Takes are made by code (`benchmarks/takes.py`).  Thresholds were chosen by the small bank TimGM6mb,
a string of sines and the vowel u, and by none of the sounds here.  What was heard is compared with
what was really played by mir_eval (Raffel et al., ISMIR 2014: onsets within 50 ms, pitches within
50 cents), and every verdict with what the student was made to do.  The second F1 counts a note from
where it has a tenth of the power of its loudest moment, which for a bow that swells is late.
"""

from __future__ import annotations

import argparse
import resource
import time
import warnings
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean, median

import mir_eval
import numpy as np
from numpy.typing import NDArray

from benchmarks.takes import DRILLS, SPOILED, Instrument, Take, resampled, take, tracks
from drillgen.errors import DrillgenError
from drillgen.sound.fluidsynth import RATE
from drillgen.take import HeardNote
from drillgen.take.judge import JudgedResponse, in_reach, judged, shared_out
from drillgen.take.listen import RATE as HEARD_AT
from drillgen.take.notes import listen
from drillgen.take.place import Placed, in_track, placed

INSTRUMENTS = (
    Instrument("our upright", "plucked", "own", 32),
    Instrument("GMbank upright", "plucked", "sf_GMbank", 32),
    Instrument("our electric", "plucked", "own", 33),
    Instrument("GMbank fretless", "plucked", "sf_GMbank", 35),
    Instrument("GMbank cello", "bowed", "sf_GMbank", 42),
    Instrument("GMbank double bass", "bowed", "sf_GMbank", 43),
    Instrument("vowel a", "sung", "", 0, 0, "a"),
    Instrument("vowel o", "sung", "", 0, 1, "o"),
    Instrument("vowel i", "sung", "", 0, 1, "i"),
)
_PROGRAMS = (("plucked", 32), ("plucked", 33), ("bowed", 42), ("bowed", 43), ("sung", 53))
_ALL = "all without bleed"
_NEAR = 0.15  # seconds: the place is found


@dataclass
class Tally:
    """What is counted of takes of one kind."""

    scores: list[float] = field(default_factory=list)
    risen: list[float] = field(default_factory=list)  # scores from a tenth of a note's power on
    ms: list[float] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)
    wrong: list[bool] = field(default_factory=list)  # planted ones: reported
    accused: list[bool] = field(default_factory=list)  # right ones: called wrong
    missed: list[bool] = field(default_factory=list)  # right ones: not heard


def main() -> None:
    """Make the takes, hear them, print the tables."""
    parser = argparse.ArgumentParser(prog="benchmarks.hearing")
    parser.add_argument("--takes", type=int, default=630)
    parser.add_argument("--first", type=int, default=0, help="the number of the first take")
    parser.add_argument(
        "--font",
        action="append",
        default=[],
        help="a soundfont's file: instead of the usual sounds",
    )
    parser.add_argument("--worst", action="store_true", help="name the takes that went badly")
    given = parser.parse_args()
    instruments = [*_of_fonts(given.font)] or INSTRUMENTS
    tallies: dict[tuple[str, str], Tally] = defaultdict(Tally)
    seconds = heard_in = 0.0
    for number in range(given.first, given.first + given.takes):
        each = take(number, instruments)
        sound = resampled(each.sound, RATE, HEARD_AT)
        began = time.perf_counter()
        heard = listen(sound)
        heard_in += time.perf_counter() - began
        seconds += len(sound) / HEARD_AT
        own = Tally()
        count(each, heard, len(sound) / HEARD_AT, own)
        if given.worst and _is_bad(own):
            print(number, each.instrument.name, each.spoiled, own.scores, own.found)
        for kind in (each.instrument.family, each.instrument.name):
            _add(tallies[kind, each.spoiled], own)
            if not each.spoiled.startswith("bleed"):
                _add(tallies[kind, _ALL], own)
    _print(tallies, dict.fromkeys(i.family for i in instruments))
    print()
    _print(tallies, dict.fromkeys(i.name for i in instruments), SPOILED[:1])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\n{given.takes} takes; a minute is heard in {heard_in / seconds * 60:.2f} s;", end=" ")
    print(f"the process, synthesisers and all, took {peak:.0f} MB at most")


def _of_fonts(fonts: Sequence[str]) -> Iterator[Instrument]:
    for font in fonts:
        for family, program in _PROGRAMS:
            octaves = int(family == "sung")
            yield Instrument(f"{Path(font).stem} {program}", family, font, program, octaves)


def count(each: Take, heard: Sequence[HeardNote], seconds: float, tally: Tally) -> None:
    """Compare what was heard of a take with what it was made from."""
    drill = next(name for name in DRILLS if any(t is each.track for t, _ in tracks(name)))
    try:
        place = placed([track for track, _ in tracks(drill)], heard, seconds)
        tally.found.append(_same_place(each, place, seconds))
    except DrillgenError:
        tally.found.append(False)
    # Notes are counted at the true place, so that each figure says one thing.
    place = placed([each.track], heard, seconds, each.at)
    responses = [r for r in each.track.responses if r.start < each.at + seconds and r.end > each.at]
    in_time = in_reach(responses, in_track(heard, each.at), place.tuning)
    inside = sorted({i for own in shared_out(responses, in_time) for i in own})
    _score(each, in_track([in_time[index] for index in inside], -each.at), tally)
    verdicts(each, judged(responses, in_time, place.tuning), tally)


def _same_place(each: Take, place: Placed, seconds: float) -> bool:
    """Whether the place is the true one, or another where the very same notes are asked: passes of
    one key may be alike."""
    if place.track is each.track and abs(place.at - each.at) < _NEAR:
        return True
    asked, found = (
        [(note.key, note.start - at) for note in track.notes if 0 <= note.start - at < seconds]
        for track, at in ((each.track, each.at), (place.track, place.at))
    )
    return len(asked) == len(found) and all(
        key == other and abs(start - begun) < _NEAR
        for (key, start), (other, begun) in zip(asked, found, strict=True)
    )


def _score(each: Take, heard: Sequence[HeardNote], tally: Tally) -> None:
    real = _spans([(n.start, n.start + n.duration) for n in each.notes])
    known = _hertz([note.key + note.cents / 100 for note in each.notes])
    spans, pitches = _spans([(n.start, n.end) for n in heard]), _hertz([n.pitch for n in heard])
    risen = _spans([(n.start + n.rise, n.start + n.duration + n.rise) for n in each.notes])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        scores = [
            mir_eval.transcription.precision_recall_f1_overlap(
                begun, known, spans, pitches, offset_ratio=None
            )[2]
            for begun in (real, risen)
        ]
        pairs = mir_eval.transcription.match_notes(
            real, known, spans, pitches, onset_tolerance=0.1, offset_ratio=None
        )
    tally.scores.append(scores[0])
    tally.risen.append(scores[1])
    for mine, other in pairs:
        note = each.notes[mine]
        tally.ms.append((heard[other].start - note.start) * 1000)
        tally.cents.append((heard[other].pitch - note.key) * 100 - note.cents)


def _spans(values: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    return np.array(values, np.float64).reshape(-1, 2)


def _hertz(midi: Sequence[float]) -> NDArray[np.float64]:
    return np.asarray(440 * 2 ** ((np.array(midi, np.float64) - 69) / 12))


def verdicts(each: Take, found: Sequence[JudgedResponse], tally: Tally) -> None:
    """Whether planted wrong notes are reported, and right ones let be."""
    played = {round(note.asked, 4): note for note in each.notes if note.asked >= 0}
    for verdict in (v for response in found for v in response.verdicts):
        note = played.get(round(verdict.asked.start - each.at, 4))
        if note is None:
            continue
        if note.slip == "wrong":
            tally.wrong.append(verdict.verdict in ("wrong", "missing"))
        else:
            tally.accused.append(verdict.verdict == "wrong")
            tally.missed.append(verdict.verdict == "missing")


def _add(whole: Tally, own: Tally) -> None:
    for name in vars(own):
        getattr(whole, name).extend(getattr(own, name))


def _is_bad(own: Tally) -> bool:
    return min(own.scores, default=1) < 0.85 or not all(own.found)


def _print(
    tallies: Mapping[tuple[str, str], Tally],
    kinds: Mapping[str, None],
    ways: Sequence[str] = (*SPOILED, _ALL),
) -> None:
    print("| sound | spoiled by | takes | F1 | F1, risen | bias ms, 90 % within |", end="")
    print(" cents off | place | wrong reported | right called wrong | right missed |")
    print("|" + " --- |" * 11)
    for kind in kinds:
        for how in ways:
            if (kind, how) in tallies:
                print("| " + " | ".join([kind, how, *_cells(tallies[kind, how])]) + " |")


def _cells(tally: Tally) -> Iterator[str]:
    yield str(len(tally.scores))
    yield f"{fmean(tally.scores):.3f}"
    yield f"{fmean(tally.risen):.3f}"
    ms = tally.ms or [0.0]
    yield f"{median(ms):+.0f}, {np.percentile(np.abs(ms), 90):.0f}"
    yield f"{median(map(abs, tally.cents or [0.0])):.1f}"
    for flags in (tally.found, tally.wrong, tally.accused, tally.missed):
        yield f"{100 * fmean(flags):.1f} %" if flags else ""


if __name__ == "__main__":
    main()

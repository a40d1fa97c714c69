"""Fingerings of every preset's line, as a teacher of the double bass would look at them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence

from benchmarks.musical.figure import Figure, share
from drillgen.chart import Chart
from drillgen.drill.sheet import BASSES, Fingering
from drillgen.score import Score
from drillgen.sheet.fingering import Fingered
from drillgen.sheet.reader import solutions
from drillgen.theory.pitch import Pitch

_OCTAVE = 12  # semitones: where the D string has its octave and the G string the same note
_THIRD_POSITION = 7  # semitones: the last note that it has on a string
_OCTAVE_OF_G = Pitch.parse("G3").midi


def fingering(scores: Iterable[Score]) -> Iterator[Figure]:
    """Figures of the upright's four strings, over lines that a bass player reads."""
    notes, far, high, low, thumb, equal, bars = (0 for _ in range(7))
    for score in scores:
        found = _fingered(score)
        notes += len(found)
        high += sum(each.string == 2 and each.fret >= _OCTAVE for each in found)
        low += sum(each.string > 2 and each.fret > _THIRD_POSITION for each in found)
        thumb += _thumbs(found)
        same, again = _alike(score.chart, found)
        equal, bars = equal + same, bars + again
        far += sum(each.shift for each in found)
    practice = "common practice"
    yield Figure("fingering: notes", notes, None, "")
    yield Figure("fingering: shifts", share(far, notes), None, "", " %")
    yield Figure(
        "fingering: D string at its octave or above where G serves", high, (0, 0), practice
    )
    yield Figure("fingering: E and A strings above position III", low, (0, 0), practice)
    yield Figure("fingering: thumb up to G3 for a single note", thumb, (0, 0), practice)
    yield Figure("fingering: bars that come again, played alike", share(equal, bars), (95, 100),
                 practice, " %")  # fmt: skip


def _fingered(score: Score) -> Sequence[Fingered]:
    """One solution on four strings; none where no bass player reads the line."""
    drill, line = score.chart.drill, score.part("line")
    if line is None or (drill.sheet.instrument or line.instrument) not in BASSES:
        return ()
    return solutions(score.chart, line, Fingering())[0].fingered


def _thumbs(found: Sequence[Fingered]) -> int:
    """Notes in thumb position that the neck has, with no other one in thumb position beside."""
    thumbs = [each.position == "thumb" for each in found]
    return sum(
        here and not any(thumbs[max(i - 1, 0) : i] + thumbs[i + 1 : i + 2])
        for i, here in enumerate(thumbs)
        if found[i].note.pitch.midi <= _OCTAVE_OF_G
    )


def _alike(chart: Chart, found: Sequence[Fingered]) -> tuple[int, int]:
    """Of the bars that come again in one key, how many have the most usual fingering."""
    bars: dict[int, list[Fingered]] = defaultdict(list)
    for each in found:
        bars[chart.bar_at(each.note.start).number].append(each)
    ways: dict[object, Counter[object]] = defaultdict(Counter)
    for number, inside in bars.items():
        bar = chart.bars[number]
        content = tuple(
            (each.note.start - bar.start, each.note.duration, each.note.pitch) for each in inside
        )
        hands = tuple((each.string, each.finger) for each in inside)
        ways[bar.key_number, content][hands] += 1
    again = [counted for counted in ways.values() if counted.total() > 1]
    return sum(max(c.values()) for c in again), sum(c.total() for c in again)

"""What is asked: the notes of each response, from a drill as it is arranged or from a pack.

Where the harmony repeats, a response asks for the notes of its call, as late as the response is
after it; an upbeat to a call (a note of the line in a bar that is no call) belongs to it.  Where no
gaps are, the line is asked for, to be played along, four bars at a time.  Where call and response
trade through the form, the answer is free: nothing is asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any

from drillgen.take import AskedNote, AskedResponse

if TYPE_CHECKING:
    from drillgen.performance import Performance
    from drillgen.score import Score

_TOGETHER = 4  # bars that are played along, taken as one
_EARLY = 0.06  # seconds: a line's note may come so much before its bar


@dataclass(frozen=True, slots=True)
class AskedBar:
    """A bar as far as it matters here."""

    start: float  # seconds of the track
    end: float
    role: str  # as in the manifest: call, response, play, …
    key: str  # "Bb major"
    passed: int  # which pass, from 1
    form_bar: int = -1


@dataclass(frozen=True, slots=True)
class AskedTrack:
    """Everything that a track asks for."""

    name: str  # of its file, or what it is called
    drill: str  # the drill's title
    tempo: float  # beats a minute at its start
    seconds: float
    responses: tuple[AskedResponse, ...]
    any_octave: bool = False
    free: bool = False  # there are responses, but the answers are free

    @property
    def notes(self) -> list[AskedNote]:
        """All of them in order of time."""
        return sorted((n for r in self.responses for n in r.notes), key=lambda note: note.start)

    @property
    def keys(self) -> list[str]:
        """The keys in order, each once."""
        return list(dict.fromkeys(response.key for response in self.responses))


def responses(
    bars: Sequence[AskedBar], notes: Sequence[AskedNote], *, repeats: bool = True
) -> list[AskedResponse]:
    """What each response asks for.  `notes`: the line's as it is played, in order of time."""
    count_in = sum(bar.role == "count-in" for bar in bars)
    if any(bar.role == "response" for bar in bars):
        return list(_answers(bars, notes, count_in)) if repeats else []
    return list(_along(bars, notes, count_in))


def _runs(bars: Sequence[AskedBar]) -> Iterator[list[int]]:
    """Indices of bars of one role in one pass, one after the other."""
    for _, run in groupby(range(len(bars)), key=lambda i: (bars[i].role, bars[i].passed)):
        yield list(run)


def _answers(
    bars: Sequence[AskedBar], notes: Sequence[AskedNote], count_in: int
) -> Iterator[AskedResponse]:
    runs = list(_runs(bars))
    done = 0.0  # where the last call ended: what comes after it leads up to the next
    for called, answered in pairwise(runs):
        if (bars[called[0]].role, bars[answered[0]].role) != ("call", "response"):
            continue
        end = bars[called[-1]].end
        own = [note for note in notes if done <= note.start + _EARLY < end]
        start, until = bars[answered[0]].start, bars[answered[-1]].end
        found = _repeated(own, bars[called[0]].start, end, (start, until))
        done = end
        yield AskedResponse(
            bars[answered[0]].key,
            answered[0] - count_in + 1,
            answered[-1] - count_in + 1,
            start,
            until,
            tuple(found),
        )


def _repeated(
    notes: Sequence[AskedNote], start: float, end: float, answer: tuple[float, float]
) -> Iterator[AskedNote]:
    """A call's notes in its response, again and again where that is the longer one."""
    later = answer[0] - start
    while start + later < answer[1] - 1e-6:
        for note in notes:
            if note.start + later + _EARLY < answer[1]:
                yield replace(note, start=note.start + later, end=min(note.end + later, answer[1]))
        later += end - start


def _along(
    bars: Sequence[AskedBar], notes: Sequence[AskedNote], count_in: int
) -> Iterator[AskedResponse]:
    played = (run for run in _runs(bars) if bars[run[0]].role in ("play", "call", "ending"))
    pieces = (run[i : i + _TOGETHER] for run in played for i in range(0, len(run), _TOGETHER))
    for run in pieces:
        first, last = bars[run[0]], bars[run[-1]]
        own = tuple(n for n in notes if first.start <= n.start + _EARLY < last.end)
        if own:
            numbers = (run[0] - count_in + 1, run[-1] - count_in + 1)
            yield AskedResponse(first.key, *numbers, first.start, last.end, own)


def of_track(score: Score, performance: Performance, name: str = "") -> AskedTrack:
    """What a track asks for, as it is arranged and performed."""
    chart = performance.chart
    drill, line = chart.drill, score.part("line")
    starts = [float(each) for each in chart.bar_seconds]
    bars = [
        AskedBar(start, end, bar.role, str(bar.key), bar.pass_number, bar.form_bar)
        for bar, start, end in zip(chart.bars, starts, starts[1:], strict=False)
    ]
    written = line.notes if line else ()
    names = {(chart.bar_at(n.start).number, n.pitch.midi): str(n.pitch) for n in written}
    voice = next((voice for voice in performance.voices if voice.part == "line"), None)
    notes = highest(
        AskedNote(note.start, note.start + note.duration, note.key, names[note.bar, note.key])
        for note in (voice.notes if voice else ())
    )
    free = drill.gaps is not None and drill.gaps.harmony == "continues"
    return AskedTrack(
        name or drill.title,
        drill.title,
        float(chart.tempo.at(1)),
        performance.seconds,
        tuple(responses(bars, notes, repeats=not free)),
        any_octave=line is not None and line.instrument == "voice",
        free=free,
    )


def highest(notes: Iterable[AskedNote]) -> list[AskedNote]:
    """In order of time, of notes together the highest: a machine's ear follows one voice."""
    found: list[AskedNote] = []
    for note in sorted(notes, key=lambda note: (note.start, -note.key)):
        if found and note.start - found[-1].start < _EARLY:
            found[-1] = max(found[-1], note, key=lambda each: each.key)
        else:
            found.append(note)
    return found


def as_data(track: AskedTrack) -> list[dict[str, Any]]:
    """The same as JSON values, for the page: each response with its notes as [start, end, key,
    name], in seconds of the track."""
    return [
        {
            "key": each.key,
            "bars": [each.first_bar, each.last_bar],
            "start": each.start,
            "end": each.end,
            "notes": [[note.start, note.end, note.key, note.name] for note in each.notes],
        }
        for each in track.responses
    ]

"""The chart as text: what a person reads in the terminal before rendering."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from math import ceil

from drillgen.chart import Bar, Chart, Span
from drillgen.drill.band import Gaps
from drillgen.drill.lines import Phrases
from drillgen.drill.messages import listed
from drillgen.drill.models import Drill
from drillgen.errors import clock, counted
from drillgen.score import Note, Score, speech
from drillgen.theory.chords import Chord, Numeral
from drillgen.theory.other_names import figured
from drillgen.theory.pitch import Degree, Key

_TONIC, _SECOND, _MINOR_THIRD = Degree(1), Degree(2), Degree(3, -1)
_FOURTH, _FLAT_FIFTH = Degree(4), Degree(5, -1)

_bars = partial(counted, one="bar")
_TOLD = 4  # bars by number: the rest is counted

# What a teacher may not have meant, though it can be played: said by `check`, never an error.


def remarks(drill: Drill) -> Iterator[str]:
    """Sentences about a drill's shape; none where there is nothing odd."""
    gaps, bars = drill.gaps, drill.progression.form
    yield from _minor_in_major(drill)
    yield from _key_unsaid(drill)
    yield from _figured(drill)
    yield from _two_basses(drill)
    yield from _never_reached(drill)
    yield from _never_grown(drill)
    if gaps and gaps.harmony == "continues":
        yield from _traded(gaps, bars, drill.passes) if not drill.progression.coda else ()
    elif gaps:
        yield from _repeated(gaps, bars, asked="gaps" in drill.model_fields_set)


def _minor_in_major(drill: Drill) -> Iterator[str]:
    """Numerals of a minor key in a drill that names none: its sheets have a major key over them."""
    first = drill.key_cycle[0]
    if "key" in drill.model_fields_set or first.mode == "minor" or not drill.progression.is_numeral:
        return
    own = [
        each for each in drill.progression.symbols if isinstance(each, Numeral) and not each.targets
    ]
    tonics = [each for each in own if each.step == _TONIC]
    sevenths = [each for each in own if each.step == _SECOND and _FLAT_FIFTH in each.degrees]
    said = (tonics or sevenths)[:1]
    if said and all(_MINOR_THIRD in each.degrees for each in tonics):
        yield (
            f"{first} stands over a progression in minor ({said[0]}); "
            f"write key: {first.tonic} minor"
        )


def _key_unsaid(drill: Drill) -> Iterator[str]:
    """Chord symbols that neither begin on the key that stands over them unasked nor lead there,
    and are moved from it to the keys of the cycle."""
    if "key" in drill.model_fields_set or drill.progression.is_numeral:
        return
    chords = [each for each in drill.progression.symbols if isinstance(each, Chord)]
    if not chords:
        return
    first, last = chords[0], chords[-1]
    resolved = last.root.above(_FOURTH) if last.is_dominant else last.root
    if drill.key.tonic not in (first.root, resolved):
        rests = resolved if first.root != last.root else first.root  # as a blues does, on its I7
        home = next((each for each in reversed(chords) if each.root == rests), first)
        minor = " minor" if _MINOR_THIRD in home.degrees else ""
        yield (
            f"{drill.key} stands over a progression that begins with {first.text} and ends "
            f"with {last.text}; write its key, perhaps key: {home.root}{minor}"
        )


def _figured(drill: Drill) -> Iterator[str]:
    """Numerals that mean another chord in a theory book: V6/5 is a sixth chord over its fifth."""
    numerals = {each.text: each for each in drill.progression.symbols if isinstance(each, Numeral)}
    for text, numeral in numerals.items():
        if theirs := figured(text):
            chord = numeral.in_key(drill.key)
            yield f"{text} is {chord} in {drill.key}; what a theory book calls so is {theirs} here"


def _two_basses(drill: Drill) -> Iterator[str]:
    """A line that walks beside a band whose bass does."""
    if drill.line and drill.line.kind == "walking" and drill.band.bass.kind == "walking":
        yield "line and band both walk, two basses at once; band: {bass: off} leaves the line alone"


def _never_reached(drill: Drill) -> Iterator[str]:
    """A tempo that a track has too few passes to climb, or fall, to."""
    keys = _keys_in_a_track(drill)
    passes = keys * drill.passes
    for tempo in drill.tempos:
        if tempo.step and tempo.at(passes) != tempo.end:
            needed = ceil(abs(tempo.end - tempo.start) / abs(tempo.step)) + 1
            stays = f"stays at {tempo.start:g}" if passes == 1 else f"ends at {tempo.at(passes):g}"
            yield (
                f"the tempo {tempo} {stays}: the track has {counted(passes, 'pass', 'passes')}; "
                f"passes: {ceil(needed / keys)} would reach {tempo.end:g}"
            )


def _keys_in_a_track(drill: Drill) -> int:
    return len(drill.key_cycle) if drill.tracks == "together" else 1


def _never_grown(drill: Drill) -> Iterator[str]:
    """A set of notes with more stages than a track has calls."""
    if not isinstance(drill.line, Phrases) or drill.gaps is None:
        return
    gaps, stages = drill.gaps, drill.line.stages
    length = gaps.call + (gaps.response if gaps.harmony == "continues" else 0)
    calls = _keys_in_a_track(drill) * drill.passes * ceil(drill.progression.form / length)
    if calls < len(stages):
        yield (
            f"the notes grow from {stages[0]} to {stages[-1]} in {len(stages)} stages, and the "
            f"track has {counted(calls, 'call')}; more passes or keys would reach all"
        )


def _repeated(gaps: Gaps, bars: int, *, asked: bool) -> Iterator[str]:
    """Calls that are longer than the form or do not divide it, and responses that go round their
    call's bars."""
    last = bars % gaps.call
    if asked and bars < gaps.call:
        yield (
            f"calls of {gaps.call} bars are longer than the form: each has its "
            f"{_bars(bars)}, and so has each response"
        )
    elif last and bars > gaps.call:
        yield (
            f"calls of {gaps.call} and responses of {_bars(gaps.response)} don't fit into a form "
            f"of {_bars(bars)}: the last call has {_bars(last)}"
        )
    elif bars >= gaps.call and gaps.response % gaps.call and gaps.response > gaps.call:
        yield (
            f"responses of {_bars(gaps.response)} don't fit over calls of {_bars(gaps.call)}: "
            "each ends in the middle of its call's chords"
        )


def _traded(gaps: Gaps, bars: int, passes: int) -> Iterator[str]:
    """A form that ends on the call's bars in every pass, or on a response that is cut short."""
    last = bars - 1
    if not any(_answered(gaps, bars, last, number) for number in range(passes)):
        first = last
        while not any(_answered(gaps, bars, first - 1, number) for number in range(passes)):
            first -= 1
        which = f"bars {first + 1}-{last + 1} are" if first < last else f"bar {last + 1} is"
        yield f"{which} always the call's{_with_more(gaps, bars, passes, range(first, bars))}"
    rest = bars * passes % (gaps.call + gaps.response)
    if rest > gaps.call:
        yield (
            f"call and response don't fit into {_bars(bars * passes)} a key: the last response "
            f"has {_bars(rest - gaps.call)} of {gaps.response}"
        )


def _with_more(gaps: Gaps, bars: int, passes: int, given: range) -> str:
    """The fewest passes in which the student gets all of these bars, too."""
    for more in range(passes + 1, gaps.call + gaps.response + 1):
        numbers = range(more)
        if all(any(_answered(gaps, bars, bar, number) for number in numbers) for bar in given):
            them = "them" if len(given) > 1 else "it"
            return f"; passes: {more} would give {them} to the student, too"
    return ""


def _answered(gaps: Gaps, bars: int, bar: int, number: int) -> bool:
    """Whether a bar of the form is the student's in a pass, counted from 0."""
    return (number * bars + bar) % (gaps.call + gaps.response) >= gaps.call


# The line as text, for people: `Dm7: D2 F2 A2 C3 | G7: G2 B2 D3 F3`.


def in_words(score: Score) -> str:
    """The line bar by bar: chords, and under each the notes that begin while it sounds, with their
    sounding octaves (C4 is middle C); a line of text for each pass.  Bars that the line is never
    played in, responses among them, are left out."""
    part = score.part("line")
    notes = part.notes if part else ()
    played = (bars for bars in score.chart.passes() if not bars[0].change)
    passes = ([bar for bar in bars if bar.role != "response"] for bars in played)
    return "\n".join(
        " | ".join("  ".join(_words(span, notes) for span in bar.spans) for bar in bars)
        for bars in passes
    )


def _words(span: Span, notes: tuple[Note, ...]) -> str:
    pitches = [str(note.pitch) for note in notes if span.start <= note.start < span.end]
    return " ".join([f"{_chord(span)}:", *pitches])


def _chord(span: Span) -> str:
    return span.chord.text if span.chord else "N.C."


_BARS_A_LINE = 4
_ALIKE = 24  # characters of a bar up to which all columns are equally wide
_ALONE = "alone"  # the band drops out
_PART = 11  # characters of role and section, where they are no longer


@dataclass(frozen=True, slots=True)
class _Columns:
    """How wide the columns of a listing are, in characters."""

    part: int  # role and section
    bars: tuple[int, ...]  # of a line


def listing(chart: Chart, beside: Sequence[Chart] = (), keys: Collection[Key] = ()) -> str:
    """Head line, then the bars, four a line, each line with bar number, time, key and role.

    The columns are as wide as in `beside`, the other tracks of the drill.  `keys` alone are shown,
    without a count-in, where some are named.
    """
    columns = _columns((chart, *beside))
    runs = (run for run in _runs(chart) if shows(run[0], keys))
    bars = [line for run in runs for line in _lines(chart, run, columns)]
    return "\n".join([*_head(chart), *bars])


def without_times(chart: Chart) -> Iterator[str]:
    """What a listing says of each bar, whenever it is played."""
    return (f"{bar.key} {_part(chart, bar)} {_text(chart, bar)}" for bar in chart.bars)


def shows(bar: Bar, keys: Collection[Key]) -> bool:
    """Whether a bar is among those to look at."""
    return not keys or (bar.role != "count-in" and bar.key.simplest in keys)


def _columns(charts: Sequence[Chart]) -> _Columns:
    """Wide enough for every key: bars beyond what all columns share widen their own only."""
    widths = [0] * _BARS_A_LINE
    part = _PART
    for chart in charts:
        for run in _runs(chart):
            part = max(part, len(_part(chart, run[0])))
            for index, bar in enumerate(run):
                place = index % _BARS_A_LINE
                widths[place] = max(widths[place], len(_text(chart, bar)))
    alike = min(max(widths), _ALIKE)
    return _Columns(part, tuple(max(width, alike) for width in widths))


def number_of(chart: Chart, bar: Bar) -> int:
    """A bar's number for people, the same in the listing, on the sheet and on the page: 1 is the
    first after the count-in; bars that are taken out of a track keep theirs, each time."""
    first = next(each.number for each in chart.bars if each.role != "count-in")
    played, taken = bar.number - first, chart.drill.bars
    if chart.whole is None or taken is None:
        return played + 1
    return taken.first + played % taken.count


def again(chart: Chart, first: Chart, what: str) -> str:
    """Head line and remarks of a track whose bars were listed with another's."""
    told = _head(first)[1:]
    said = [line for line in _head(chart) if line not in told]
    return "\n".join([*said, f"  {what} as at tempo {first.tempo}"])


def _head(chart: Chart) -> list[str]:
    """What stands over the bars: title, facts, note and remarks."""
    drill = chart.drill
    keys = " ".join(key.short for key in chart.keys)
    facts = [
        drill.feel,
        drill.meter.text,
        f"tempo {chart.tempo}",
        f"keys {keys}",
        f"{_bars(sum(bar.role != 'count-in' for bar in chart.bars))}, {clock(chart.lasts)}",
    ]
    head = [drill.title, f"  {' · '.join(facts)}"]
    head += [f"  {drill.note}"] if drill.note else []
    head += [f"  {said}" for said in _band_said(drill)]
    noted = (*remarks(drill), *_unsaid(chart))
    return [*head, *(f"  note: {remark}" for remark in noted)]


def _unsaid(chart: Chart) -> Iterator[str]:
    """What a voice was asked to say and has no time for."""
    left_out: dict[str, list[int]] = {}
    for bar, words in speech(chart).left_out:
        left_out.setdefault(" ".join(words), []).append(number_of(chart, bar))
    for text, bars in left_out.items():
        before = listed([str(number) for number in bars[:_TOLD]])
        more = f" and {len(bars) - _TOLD} more" if len(bars) > _TOLD else ""
        yield f'there is no time to say "{text}" before bar {before}{more}'


_IN_RESPONSES = {"plays": "the band plays", "time": "the band keeps time only",
                 "silent": "the band is silent"}  # fmt: skip


def _band_said(drill: Drill) -> Iterator[str]:
    """What the band does otherwise than throughout: in responses, and where it drops out."""
    gaps, empty = drill.gaps, drill.drop_outs
    if gaps and (gaps.band != "plays" or gaps.level):
        softer = f", {-gaps.level:g} dB softer" if gaps.level and gaps.band != "silent" else ""
        yield f"in responses {_IN_RESPONSES[gaps.band]}{softer}"
    if drill.band.spoken.plays:
        yield f"spoken: {drill.band.spoken.kind}"
    if empty:
        yield f"the band is silent in the last {_bars(empty.bars)} of every {empty.every}"


def _runs(chart: Chart) -> Iterator[list[Bar]]:
    """Neighbouring bars alike in key, role, pass, section and ending, with the band or without."""
    alike = groupby(
        chart.bars, key=lambda bar: (bar.key_number, _part(chart, bar), bar.pass_number)
    )
    return (list(bars) for _, bars in alike)


def _lines(chart: Chart, run: list[Bar], columns: _Columns) -> Iterator[str]:
    for first in range(0, len(run), _BARS_A_LINE):
        bars = run[first : first + _BARS_A_LINE]
        texts = zip(bars, columns.bars, strict=False)
        cells = " | ".join(_text(chart, bar).ljust(width) for bar, width in texts)
        yield f"{_margin(chart, bars[0], columns.part)} | {cells} |"


def _margin(chart: Chart, bar: Bar, part: int) -> str:
    time = clock(int(chart.seconds_at(bar.start)))
    number = "" if bar.role == "count-in" else number_of(chart, bar)
    return f"{number:>5}  {time:>5}  {bar.key.short:<4} {_part(chart, bar):<{part}}"


def _part(chart: Chart, bar: Bar) -> str:
    alone = _ALONE if chart.drops_out(bar) else ""
    ending = f"{bar.ending}." if bar.ending else ""
    return " ".join(filter(None, (_role(bar), alone, bar.section, ending)))


def _role(bar: Bar) -> str:
    return "key change" if bar.change else "tag" if bar.tag else bar.role


def _text(chart: Chart, bar: Bar) -> str:
    """The bar's chords; before the first bar what is heard, the starting note or what counts."""
    count_in = chart.drill.count_in
    if bar.role == "count-in":
        return "note" if count_in.starting_note and bar.number == 0 else count_in.sound
    return "  ".join(map(_chord, bar.spans))

"""The layout of a sheet: the bars that are printed, their systems and barlines, and its words.

One part a key.  The count-in is left out.  Passes of one key that read alike are printed once,
between repeats, with the numbers of the first time.  A pick-up before a key's first bar stands in a
short measure of its own, and the bar in which it sounds, at the end of the key before, is shorter
by as much (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby, pairwise

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.melody import ScaleNote
from drillgen.drill.models import Drill
from drillgen.errors import counted
from drillgen.listing import number_of
from drillgen.score import Note
from drillgen.sheet.reader import CONTRASTING
from drillgen.sheet.repeats import KeptBars, comes_after, kept_bars
from drillgen.theory.pitch import Key
from drillgen.timing import ratio_in

# How many bars stand on a system.
#
# Four as a rule; a form's section, a new pass, a tag and the ending begin a new one, and so does
# each call whose length does not go into four bars. One bar is never left alone (common practice);
# the one that leads to another key, which is all but empty, stands at the end of a full system.

A_SYSTEM = 4  # bars


def system_starts(drill: Drill, bars: Sequence[Bar], endings: Mapping[int, str]) -> frozenset[int]:
    """The indices of the bars that begin a system; `endings`: under which bracket a bar stands, by
    its number."""
    edges = [i for i, bar in enumerate(bars) if i == 0 or _breaks(drill, bars[i - 1], bar)]
    return frozenset(
        start + place
        for start, end in zip(edges, [*edges[1:], len(bars)], strict=True)
        for place in _lines(
            bars[start:end], [endings.get(bar.number, "") for bar in bars[start:end]]
        )
    )


def _lines(bars: Sequence[Bar], brackets: Sequence[str]) -> Iterator[int]:
    """Where the systems of some bars begin; a bracket that would be cut begins one."""
    places = list(_divided(len(bars) - _leads_on(bars)))
    cut = [p for p in places[1:] if brackets[p] and brackets[p - 1] == brackets[p]]
    begins = brackets.index(brackets[cut[0]]) if cut else 0
    if not begins:
        yield from places
        return
    yield from _divided(begins)
    yield from (begins + place for place in _lines(bars[begins:], brackets[begins:]))


def _leads_on(bars: Sequence[Bar]) -> bool:
    """Whether the last of some bars, and no other, leads to another key."""
    return len(bars) > 1 and bars[-1].change and not bars[-2].change


def _breaks(drill: Drill, before: Bar, bar: Bar) -> bool:
    if (before.pass_number, before.tag) != (bar.pass_number, bar.tag):
        return True
    if bar.role != before.role and not bar.change:
        return bar.role == "ending" or _uneven(drill, bar)
    return bool(bar.section) and bar.starts_section


def _uneven(drill: Drill, bar: Bar) -> bool:
    """Whether a call or response begins a system because four bars a line would cut it."""
    gaps = drill.gaps
    if gaps is None or A_SYSTEM % (gaps.call + gaps.response) == 0:
        return False
    if gaps.call % A_SYSTEM == 0 and gaps.response % A_SYSTEM == 0:
        return False
    return bar.role == "call" or gaps.call + gaps.response > A_SYSTEM


def _divided(length: int, most: int = A_SYSTEM) -> Iterator[int]:
    """Where the systems of some bars begin: 8 is 4 + 4, 6 is 4 + 2, 5 is 3 + 2."""
    place = 0
    while place < length:
        yield place
        left = length - place
        place += most - 1 if left == most + 1 and most > 2 else most


def shares(drill: Drill, places: Sequence[SheetBar]) -> frozenset[str]:
    """The ids of responses to whole systems that may stand on the same line as their call, since
    they have nothing but slashes over its chords: both together no more than two lines' bars."""
    gaps = drill.gaps
    if gaps is None or gaps.harmony != "repeats" or drill.sheet.responses == "empty":
        return frozenset()
    if max(gaps.call, gaps.response) > A_SYSTEM:
        return frozenset()
    follows = pairwise(places)
    return frozenset(
        place.id
        for before, place in follows
        if place.new_system and (before.bar.role, place.bar.role) == ("call", "response")
    )


DOUBLE, FINAL = "light-light", "light-heavy"  # MusicXML's names of barlines


@dataclass(frozen=True, slots=True)
class SheetBar:
    """A bar as it stands on the sheet, or a part of one."""

    bar: Bar
    key: Key  # in which it is read: a pick-up in the key that follows
    id: str
    number: int  # as the page and `check` count: 1 is the first bar after the count-in
    start: Fraction  # quarter notes from the track's start …
    end: Fraction  # … of what it shows
    pickup: bool = False  # it stands before the key's first bar
    new_system: bool = False
    rehearsal: str = ""  # the letter of a form section
    barline: str = ""  # at its end
    opens_repeat: bool = False
    times: int = 0  # where a repeat closes: how often it is played
    held: bool = False  # a fermata stands over its last sign
    ending: str = ""  # the times for which its ending is: "1", "1, 2"; "": it stands in none
    begins_ending: bool = False
    ends_ending: bool = False
    goes_back: bool = False  # to where the repeat was opened
    # Jumps, and where they lead to, by MusicXML's names: `segno` and `coda` stand at its beginning,
    # `tocoda`, `fine`, `dacapo` and `dalsegno` (`… al fine`) at its end; each with the token that
    # its two ends share.
    jumps: tuple[tuple[str, str], ...] = ()

    @property
    def whole(self) -> bool:
        return (self.start, self.end) == (self.bar.start, self.bar.end)


@dataclass(frozen=True, slots=True)
class KeyPart:
    """The music of one key of a track."""

    key: Key
    places: tuple[SheetBar, ...]
    shown_in: tuple[tuple[str, str], ...]  # a bar's id, and the id of the place that shows it


def by_bar(chart: Chart, notes: Sequence[Note]) -> Mapping[int, tuple[Note, ...]]:
    """The notes that sound in each bar, by its number, in order."""
    found: dict[int, list[Note]] = {}
    for note in sorted(notes, key=lambda note: (note.start, note.pitch.midi)):
        number = chart.bar_at(note.start).number
        while number < len(chart.bars) and chart.bars[number].start < note.start + note.duration:
            found.setdefault(number, []).append(note)
            number += 1
    return {number: tuple(sounding) for number, sounding in found.items()}


def key_parts(
    chart: Chart, sounding: Mapping[int, Sequence[Note]], prefix: str = ""
) -> tuple[KeyPart, ...]:
    """The parts of a track, in order; `sounding` are the notes to print, by bar.

    `prefix` stands before each id: 'k3' where a drill's tracks are split by key.
    """
    printed = [bar for bar in chart.bars if bar.role != "count-in"]
    keys = [list(bars) for _, bars in groupby(printed, key=lambda bar: bar.key_number)]
    starts = [_pickup(chart, bars[0], sounding) for bars in keys]
    ends = [*starts[1:], chart.end]
    return tuple(
        _part(chart, bars, sounding, (start, end), prefix)
        for bars, start, end in zip(keys, starts, ends, strict=True)
    )


def _pickup(chart: Chart, first: Bar, sounding: Mapping[int, Sequence[Note]]) -> Fraction:
    """Where a key begins: at its first bar, or with the pick-up to it, on a beat if that is free.

    Notes in a count-in or response are a pick-up; in a bar played through, the line says how many.
    """
    lead = _lead(chart, first)
    if not lead or first.number == 0:
        return first.start
    notes = sounding.get(first.number - 1, ())
    own = [note.start for note in notes if note.start >= first.start - lead]
    if not own:
        return first.start
    beat = chart.drill.meter.beat
    floor = first.start - -((own[0] - first.start) // beat) * beat
    free = all(note.start + note.duration <= floor for note in notes if note.start < own[0])
    return floor if free else own[0]


def _lead(chart: Chart, first: Bar) -> Fraction:
    line = chart.drill.line
    if line is None or first.number == 0:
        return Fraction(0)
    waits = chart.bars[first.number - 1].role in ("count-in", "response")
    return first.length if waits else line.lead(first.length)


_FIRST_TRACK = "k0"


def _part(
    chart: Chart,
    bars: Sequence[Bar],
    sounding: Mapping[int, Sequence[Note]],
    shown: tuple[Fraction, Fraction],
    prefix: str,
) -> KeyPart:
    start, end = shown
    whole = (start, end) == (bars[0].start, bars[-1].end)
    kept = kept_bars(chart, bars, sounding) if whole else KeptBars([*bars])
    first = bars[0].key_number == 0 and prefix in ("", _FIRST_TRACK)
    kept.say_jump(f"{prefix}{bars[0].key_number + 1}", from_the_top=first)
    places = [
        replace(place, **kept.said.get(place.bar.number, {}))
        for place in _places(chart, kept, end, prefix)
    ]
    shown_in = [(place.id, place.id) for place in places]
    shown_in += [(f"{prefix}b{one}", f"{prefix}b{other}") for one, other in kept.shown_in.items()]
    if start < bars[0].start:
        pickup = _before(chart, bars[0], start, prefix)
        places.insert(0, pickup)
        if pickup.bar.role == "count-in":  # nothing else of it is printed
            shown_in.insert(0, (pickup.id.removesuffix("p"), pickup.id))
    return KeyPart(bars[0].key, tuple(places), tuple(shown_in))


def _before(chart: Chart, first: Bar, start: Fraction, prefix: str) -> SheetBar:
    bar = chart.bars[first.number - 1]
    identity = f"{prefix}b{bar.number}p"
    number = number_of(chart, bar)
    return SheetBar(bar, first.key, identity, number, start, bar.end, pickup=True)


def _places(chart: Chart, kept: KeptBars, end: Fraction, prefix: str) -> Iterator[SheetBar]:
    """The bars in order, each with its system, its letter and its barline."""
    bars, brackets = kept.bars, {n: said.get("ending", "") for n, said in kept.said.items()}
    begins = system_starts(chart.drill, bars, brackets)
    for index, bar in enumerate(bars):
        last = index == len(bars) - 1
        yield SheetBar(
            bar,
            bar.key,
            f"{prefix}b{bar.number}",
            number_of(chart, bar),
            bar.start,
            min(bar.end, end),
            new_system=index > 0 and index in begins,
            rehearsal=_letter(chart, bar),
            barline=_barline(chart, bar, None if last else bars[index + 1]),
            held=bar is chart.bars[-1] and bar.role == "ending",
        )


def _letter(chart: Chart, bar: Bar) -> str:
    """The letter of a section that begins here; a response that repeats its call has none."""
    gaps = chart.drill.gaps
    again = gaps is not None and gaps.harmony == "repeats" and bar.role == "response"
    return bar.section if bar.starts_section and not again else ""


def _barline(chart: Chart, bar: Bar, following: Bar | None) -> str:
    if following is None:
        return FINAL if bar.number == len(chart.bars) - 1 else DOUBLE
    ends = bar.pass_number != following.pass_number or comes_after(bar) != comes_after(following)
    return DOUBLE if ends or _letter(chart, following) else ""


# What a sheet says in words: tempo, key, whose turn it is, and what to know before the first bar.
#
# Swing eighths are written straight and the mark says how they are played (common practice).


def pretty(words: str) -> str:
    """Accidentals as musicians write them: 'm7b5' is 'm7♭5'."""
    return words.replace("b", "♭").replace("#", "♯")


_SWUNG, _STRAIGHT = ("swing", "shuffle"), ("straight",)  # names of feels that say it themselves
BETWEEN_FACTS = " · "
_FINEST = 4  # a swing ratio is marked in quarters: 7:2


@dataclass(frozen=True, slots=True)
class TempoMark:
    """How fast, and how eighths are played."""

    feel: str  # in words: "Swing", "Bossa nova (straight eighths)"
    dotted: bool  # the beat is a dotted quarter, else a quarter
    per_minute: str  # "72", "60, 72, 84" (a track each), "60–100" (climbing)
    quarters: float  # quarter notes a minute at the beginning
    swing: tuple[int, int] | None  # the first eighth against the second; None: straight

    @property
    def pretty(self) -> str:
        """For people: '♩ = 60, 72, 84'; a dotted quarter is '♩.'."""
        return f"{'♩.' if self.dotted else '♩'} = {self.per_minute}"


@dataclass(frozen=True, slots=True)
class BarMarks:
    """What stands over one bar."""

    tempo: TempoMark | None = None
    key: str = ""
    rehearsal: str = ""
    words: str = ""
    times: int = 0  # how often the repeat that closes here is played
    jumps: tuple[tuple[str, str], ...] = ()  # MusicXML's names of signs, and their tokens


def tempo_mark(chart: Chart) -> TempoMark:
    """The mark at the head of a drill's sheet."""
    drill = chart.drill
    ratio = Fraction(ratio_in(chart, chart.bars[0])).limit_denominator(_FINEST)
    return TempoMark(
        feel=_feel(drill, ratio > 1),
        dotted=drill.meter.beat == Fraction(3, 2),
        per_minute=", ".join(str(tempo).replace("-", "–") for tempo in drill.tempos),
        quarters=float(drill.tempos[0].start * drill.meter.beat),
        swing=(ratio.numerator, ratio.denominator) if ratio > 1 else None,
    )


def _feel(drill: Drill, swung: bool) -> str:
    """The feel's name, and whether its eighths swing where the name alone does not say it."""
    name = drill.feel[0].upper() + drill.feel[1:]
    if drill.meter.unit == 8:
        return name
    if any(word in drill.feel for word in (_SWUNG if swung else _STRAIGHT)):
        return name
    return f"{name} ({'swing' if swung else 'straight'} eighths)"


def marks(
    chart: Chart,
    place: SheetBar,
    before: SheetBar | None,
    key: str,
    *,
    heard: bool,
    coming: str = "",
    passes: str = "",
) -> BarMarks:
    """What stands over a bar; `key` names a key that begins here, `heard` says that calls are
    learned by ear: nothing of them is printed.  `coming`: the key that a bar leads to, and its
    starting note; `passes`: which times the bars from here on are played."""
    earlier = before.bar if before else None
    words = "" if place.pickup else _words(place.bar, earlier, heard, coming)
    if words == "" and heard and is_dictated(chart.drill, place.bar) and not place.pickup:
        words = "" if earlier and earlier.role == place.bar.role else "listen and write"
    slows = place.bar.slowing and not (earlier and earlier.slowing)
    words = ": ".join(each for each in (passes, words, "rit." if slows else "") if each)
    return BarMarks(None, key, place.rehearsal, words, place.times, place.jumps)


def _words(bar: Bar, before: Bar | None, heard: bool, coming: str) -> str:
    """Whose turn it is, at every change."""
    if bar.change:
        return "" if before and before.change else f"to {coming}"
    if bar.tag:
        return "" if before and before.tag else "tag"
    if before and (before.role, before.tag) == (bar.role, bar.tag):
        return ""
    if is_listened_to(bar, heard=heard):
        return "listen"
    return "your turn" if bar.role == "response" else ""


def is_dictated(drill: Drill, bar: Bar) -> bool:
    """Whether a bar's line is heard and written down."""
    dictated = drill.line is not None and drill.line.dictation
    return dictated and bar.role in ("call", "play") and not (bar.tag or bar.change)


def is_listened_to(bar: Bar, *, heard: bool) -> bool:
    """Whether a bar is a call that is learned by ear."""
    return heard and bar.role == "call" and not bar.tag


def facts(drill: Drill, mark: TempoMark, *, hands: bool = False) -> str:
    """What the student needs to know before the first bar, on one line; with `hands` also what
    stands under the notes, and which of two fingerings the tablature shows."""
    played = (
        f"{mark.feel} (eighths long–short)" if mark.swing and "(" not in mark.feel else mark.feel
    )
    return BETWEEN_FACTS.join([played, *_facts(drill, hands)])


def _facts(drill: Drill, hands: bool) -> Iterator[str]:
    yield from _count_in(drill)
    if drill.gaps and drill.bars is None:
        yield f"call {_bars(drill.gaps.call)}"
        yield f"response {_bars(drill.gaps.response)}"
    if drill.line and drill.line.notes_used:
        yield f"notes {' '.join(map(_named, drill.line.notes_used))}"
    if drill.key_change != "none" and drill.bars is None:
        chords = "" if drill.key_change == "note" else f" over its {drill.key_change}"
        yield f"before each new key its starting note{chords if drill.line else ''}"
    if drill.line and drill.positions:
        yield f"positions: {drill.positions}"
    if drill.bars is not None:
        yield f"bars {str(drill.bars).replace('-', '–')}, {_times(drill.repeat)}"
    elif drill.passes > 1:
        yield f"{drill.passes} times in each key"
    if drill.drop_outs:
        out = drill.drop_outs
        yield f"the band is silent in the last {_bars(out.bars)} of every {out.every}"
    for tempo in drill.tempos:
        if tempo.step:
            yield f"tempo {tempo.start:g} to {tempo.end:g}, {tempo.step:+g} each time"
    wanted = drill.sheet.fingering
    if hands and wanted:
        yield "under the notes: finger, string, position"
    if hands and drill.sheet.tablature and wanted and wanted.solutions == "two":
        yield f"tablature {CONTRASTING[0]}"


_bars = partial(counted, one="bar")


def _count_in(drill: Drill) -> Iterator[str]:
    bars = _bars(drill.count_in.bars) if drill.count_in.bars else ""
    if drill.count_in.starting_note:
        yield f"count-in: the starting note{bars and ', then '}{bars}"
    elif bars:
        yield f"count-in {bars}"


def _named(note: ScaleNote) -> str:
    """'♭3'; in another octave than the tonic's 'low 5', 'high 1', 'high high 1'."""
    way = "high " if note.octaves > 0 else "low "
    return way * abs(note.octaves) + pretty(str(note.degree))


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"

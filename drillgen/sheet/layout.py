"""The layout of a sheet: which bars are printed, on which systems, between which barlines.

One part a key.  The count-in is left out.  Passes of one key that read alike are printed once,
between repeats, with the numbers of the first time.  A pick-up before a key's first bar stands in a
short measure of its own, and the bar in which it sounds, at the end of the key before, is shorter
by as much (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import chain, groupby, pairwise
from typing import Any

from drillgen.chart import Bar, Chart
from drillgen.drill.models import Drill
from drillgen.drill.progression import is_coda
from drillgen.listing import number_of
from drillgen.score import Note
from drillgen.theory.pitch import Key

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
    # `tocoda`, `dacapo` and `dalsegno` at its end; each with the token that its two ends share.
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


def _part(
    chart: Chart,
    bars: Sequence[Bar],
    sounding: Mapping[int, Sequence[Note]],
    shown: tuple[Fraction, Fraction],
    prefix: str,
) -> KeyPart:
    start, end = shown
    whole = (start, end) == (bars[0].start, bars[-1].end)
    kept = _kept(chart, _runs(bars, sounding), sounding) if whole else _Kept([*bars])
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


# Repeats: what reads alike is printed once.  Passes that are alike stand between repeats; a form's
# sections, and passes that are brought home the last time, may have a first and a second ending.
# What comes again before the coda is not printed: the sheet jumps back, and from there to the coda.

_FIRST_TRACK = "k0"


@dataclass(slots=True)
class _Kept:
    """The bars that are printed."""

    bars: list[Bar]
    shown_in: dict[int, int] = field(default_factory=dict)  # others' numbers: theirs
    said: dict[int, dict[str, Any]] = field(default_factory=dict)  # of a place, by its number
    passed: list[Bar] = field(default_factory=list)  # endings that are not the last ones
    jump: tuple[Bar, ...] = ()  # from where, to where, from where to the coda, and the coda

    def say(self, bar: Bar, **what: Any) -> None:
        self.said.setdefault(bar.number, {}).update(what)

    def again(self, bars: Sequence[Bar], printed: Sequence[Bar]) -> None:
        """Bars that others, alike, show."""
        self.shown_in |= {b.number: p.number for b, p in zip(bars, printed, strict=True)}

    def repeat(self, run: Sequence[Sequence[Bar]]) -> None:
        """A pass that is played several times."""
        first, *later = run
        self.bars += first
        if later:
            self.say(first[0], opens_repeat=True)
            self.say(first[-1], times=len(run), barline="")
        for bars in later:
            self.again(bars, first)

    def with_endings(self, runs: Sequence[Sequence[Sequence[Bar]]], common: int) -> None:
        """What is alike in its first bars: these once, and the others as endings."""
        first, time = runs[0][0], 0
        self.bars += first[:common]
        self.say(first[0], opens_repeat=True)
        for run in runs:
            ending = run[0][common:]
            times = ", ".join(str(time + number + 1) for number in range(len(run)))
            time += len(run)
            self.bars += ending
            self.passed += ending if run is not runs[-1] else ()
            for bar in ending:
                self.say(bar, ending=times)
            self.say(ending[0], begins_ending=True)
            self.say(ending[-1], ends_ending=True, goes_back=run is not runs[-1])
            for bars in run:
                self.again(bars[:common], first[:common])
                self.again(bars[common:], ending)
        for bar in self.bars:
            self.shown_in.pop(bar.number, None)

    @property
    def straight(self) -> list[Bar]:
        """As after a jump: without repeats, with the last endings (common practice)."""
        return [bar for bar in self.bars if bar not in self.passed]

    def with_coda(self, again: Sequence[Bar], printed: Sequence[Bar], coda: Sequence[Bar]) -> None:
        """Bars that others, alike, show, to which the sheet jumps back, and then the coda."""
        self.jump = (self.bars[-1], printed[0], printed[-1], coda[0])
        self.again(again, printed)
        self.bars += coda

    def say_jump(self, token: str, *, from_the_top: bool) -> None:
        """Its signs, the first bar's with or without a segno."""
        if not self.jump:
            return
        end, to, leaves, coda = self.jump
        top = from_the_top and to is self.bars[0]
        signs = [] if top else [(to, "segno")]
        signs += [(leaves, "tocoda"), (end, "dacapo" if top else "dalsegno"), (coda, "coda")]
        for bar in (end, to, leaves, coda):
            self.say(bar, jumps=tuple((sign, token) for each, sign in signs if each is bar))
        self.say(coda, rehearsal="")  # its sign says it


def _kept(
    chart: Chart, runs: list[list[list[Bar]]], sounding: Mapping[int, Sequence[Note]]
) -> _Kept:
    kept = _Kept([])
    while runs:
        pair, runs = runs[:2], runs[1:]
        common, left = _brought_home(chart, pair, sounding), _left_for_coda(pair, sounding)
        if left:
            _keep_coda(kept, pair[0], pair[1][0], left)
            runs = runs[1:]
        elif common:
            kept.with_endings(pair, common)
            runs = runs[1:]
        elif len(pair[0]) == 1:
            _keep_sections(chart, kept, pair[0][0], sounding)
        else:
            kept.repeat(pair[0])
    return kept


def _brought_home(
    chart: Chart, pair: list[list[list[Bar]]], sounding: Mapping[int, Sequence[Note]]
) -> int:
    """How many bars passes have in common with the last one, which is brought home; 0 where it is
    none, or differs from its beginning on."""
    if chart.drill.ending != "home" or len(pair) < 2 or any(_after(pair[1][0][0])):
        return 0
    before, last = pair[0][0], pair[1][0]
    common = _alike(before, last, sounding)
    return common if len(before) == len(last) and 2 * common >= len(last) > common else 0


def _left_for_coda(pair: list[list[list[Bar]]], sounding: Mapping[int, Sequence[Note]]) -> int:
    """After how many bars, alike in the passes before it, the last one goes to the coda; 0: it does
    not, or reads otherwise."""
    if len(pair) < 2 or any(is_coda(bar.section) for bar in pair[0][0]):
        return 0
    before, last = pair[0][0], pair[1][0]
    left = next((place for place, bar in enumerate(last) if is_coda(bar.section)), 0)
    return left if left <= len(before) and _alike(before, last[:left], sounding) == left else 0


def _keep_coda(kept: _Kept, run: list[list[Bar]], last: list[Bar], left: int) -> None:
    """Passes that are alike, and the last one, which is left for the coda after some bars."""
    if left == len(run[0]):  # it is played to its end
        kept.repeat([*run, last[:left]])
        kept.bars += last[left:]
    else:
        kept.repeat(run)
        kept.with_coda(last[:left], run[0][:left], last[left:])


def _alike(one: Sequence[Bar], other: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]) -> int:
    """How many bars read alike from the first on."""
    pairs = zip(one, other, strict=False)
    reads = [_read(a, sounding.get(a.number, ())) == _read(b, sounding.get(b.number, ()))
             for a, b in pairs]  # fmt: skip
    return reads.index(False) if False in reads else len(reads)


def _keep_sections(
    chart: Chart, kept: _Kept, bars: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]
) -> None:
    """A pass that is printed once, its sections with their endings."""
    starts = [index for index, bar in enumerate(bars) if bar.starts_section or index == 0]
    sections = [list(bars[i:j]) for i, j in zip(starts, [*starts[1:], len(bars)], strict=True)]
    gaps = chart.drill.gaps
    if gaps is not None and gaps.harmony == "repeats":
        kept.bars += bars
        return
    ends = bars[0].pass_number % chart.drill.passes == 0 and is_coda(sections[-1][0].section)
    coda = sections[-1] if ends else []
    for count in range(1, len(sections) - 1) if coda else ():
        again = list(chain(*sections[count:-1]))
        found = _Kept([])
        _keep_each(found, sections[:count], sounding)
        if printed := _shows(found.straight, again, sounding):
            _keep_each(kept, sections[:count], sounding)
            kept.with_coda(again, printed, coda)
            return
    _keep_each(kept, sections, sounding)


def _shows(
    printed: Sequence[Bar], again: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]
) -> Sequence[Bar]:
    """The first of what is printed, from a section's beginning and not to the very end, that reads
    like some bars that come again."""
    length = len(again)
    for to in range(len(printed) - length):
        begins = to == 0 or printed[to].starts_section
        if begins and _alike(printed[to : to + length], again, sounding) == length:
            return printed[to : to + length]
    return ()


def _keep_each(
    kept: _Kept, sections: list[list[Bar]], sounding: Mapping[int, Sequence[Note]]
) -> None:
    """Sections, those that come again at once between repeats, with their endings."""
    while sections:
        length, times = _again(sections, sounding)
        turns = [
            list(chain(*sections[start : start + length]))
            for start in range(0, length * times, length)
        ]
        runs = _runs_of(turns, sounding)
        if len(runs) > 1:
            kept.with_endings(runs, sum(not bar.ending for bar in turns[0]))
        else:
            kept.repeat(runs[0])
        sections = sections[length * times :]


def _again(
    sections: Sequence[Sequence[Bar]], sounding: Mapping[int, Sequence[Note]]
) -> tuple[int, int]:
    """How many sections, from the first on, come again at once, and how often they are played."""
    for length in range(1, len(sections) // 2 + 1):
        times = 1
        while _is_next(sections[(times - 1) * length :], length, sounding):
            times += 1
        if times > 1:
            return length, times
    return 1, 1


def _is_next(
    sections: Sequence[Sequence[Bar]], length: int, sounding: Mapping[int, Sequence[Note]]
) -> bool:
    """Whether so many sections are played again, with the next ending of the last of them, or as
    they are."""
    one, other = sections[:length], sections[length : 2 * length]
    if [bars[0].section for bars in one] != [bars[0].section for bars in other]:
        return False
    if any(bar.ending for bars in one[:-1] for bar in bars):
        return False
    if other[-1][-1].ending - one[-1][-1].ending not in (0, 1):
        return False
    return all(_same(a, b, sounding) for a, b in zip(one, other, strict=True))


def _same(one: Sequence[Bar], other: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]) -> bool:
    """Whether two sections read alike before their endings."""
    common = [sum(not bar.ending for bar in bars) for bars in (one, other)]
    return common == 2 * [_alike(one[: common[0]], other[: common[1]], sounding)]


def _runs_of(
    turns: Sequence[Sequence[Bar]], sounding: Mapping[int, Sequence[Note]]
) -> list[list[Sequence[Bar]]]:
    """Turns, those that read alike together."""
    runs: list[list[Sequence[Bar]]] = []
    for turn in turns:
        alike = runs and _alike(runs[-1][0], turn, sounding) == len(turn) == len(runs[-1][0])
        runs[-1 if alike else len(runs) :] = [[*(runs[-1] if alike else []), turn]]
    return runs


def _runs(bars: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]) -> list[list[list[Bar]]]:
    """The passes, those that read alike together; a tag and the ending by themselves."""
    runs: list[list[list[Bar]]] = []
    before: list[tuple[object, ...]] = []
    for _, found in groupby(bars, key=lambda bar: (bar.pass_number, *_after(bar))):
        one = list(found)
        reads = [_read(bar, sounding.get(bar.number, ())) for bar in one]
        if runs and reads == before and not any(_after(one[0])):
            runs[-1].append(one)
        else:
            runs.append([one])
        before = reads
    return runs


def _after(bar: Bar) -> tuple[bool, bool]:
    """Whether a bar comes after the last pass: in a tag or on to the next key, or in the ending."""
    return bar.tag or bar.change, bar.role == "ending"


def _read(bar: Bar, notes: Sequence[Note]) -> tuple[object, ...]:
    """What a reader sees of a bar: role, chords and notes."""
    chords = tuple((span.start - bar.start, span.duration, span.chord) for span in bar.spans)
    played = tuple((n.start - bar.start, n.duration, n.pitch, n.mark) for n in notes)
    return bar.role, bar.section, bar.starts_section, chords, played


def _before(chart: Chart, first: Bar, start: Fraction, prefix: str) -> SheetBar:
    bar = chart.bars[first.number - 1]
    identity = f"{prefix}b{bar.number}p"
    number = number_of(chart, bar)
    return SheetBar(bar, first.key, identity, number, start, bar.end, pickup=True)


def _places(chart: Chart, kept: _Kept, end: Fraction, prefix: str) -> Iterator[SheetBar]:
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
    ends = bar.pass_number != following.pass_number or _after(bar) != _after(following)
    return DOUBLE if ends or _letter(chart, following) else ""

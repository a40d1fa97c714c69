"""Repeats, endings and jumps: which bars of a key are printed, and which others they show.

What reads alike is printed once.  Passes that are alike stand between repeats; sections that come
again at once do, too, and may have a first and a second ending, as may passes that are brought home
the last time.  What comes again before the coda or up to the Fine is not printed: the sheet jumps
back, and goes from there to the coda, or ends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, groupby
from typing import Any

from drillgen.chart import Bar, Chart
from drillgen.drill.progression import is_coda
from drillgen.score import Note


@dataclass(slots=True)
class KeptBars:
    """The bars that are printed."""

    bars: list[Bar]
    shown_in: dict[int, int] = field(default_factory=dict)  # others' numbers: theirs
    said: dict[int, dict[str, Any]] = field(default_factory=dict)  # of a place, by its number
    passed: list[Bar] = field(default_factory=list)  # endings that are not the last ones
    jump: tuple[Bar, ...] = ()  # from where, to where, up to where, and the coda, if one follows

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

    def with_jump(self, again: Sequence[Bar], printed: Sequence[Bar], coda: Sequence[Bar]) -> None:
        """Bars that others, alike, show, to which the sheet jumps back, and then the coda; without
        one the others' last bar is the Fine."""
        self.jump = (self.bars[-1], printed[0], printed[-1], *coda[:1])
        self.again(again, printed)
        if not coda and "times" not in self.said.get(printed[-1].number, {}):
            self.say(printed[-1], barline="light-heavy")

    def say_jump(self, token: str, *, from_the_top: bool) -> None:
        """Its signs, the first bar's with or without a segno."""
        if not self.jump:
            return
        end, to, leaves, *coda = self.jump
        top = from_the_top and to is self.bars[0]
        back = "dacapo" if top else "dalsegno"
        signs = [] if top else [(to, "segno")]
        signs += [(leaves, "tocoda"), (end, back)] if coda else [(leaves, "fine")]
        signs += [(each, "coda") for each in coda] or [(end, f"{back} al fine")]
        for bar in self.jump:
            self.say(bar, jumps=tuple((sign, token) for each, sign in signs if each is bar))
        for bar in coda:
            self.say(bar, rehearsal="")  # its sign says it


def kept_bars(
    chart: Chart, bars: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]
) -> KeptBars:
    """What is printed of a key's bars; `sounding` are the notes to print, by bar."""
    kept, runs = KeptBars([]), _runs(bars, sounding)
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
            after = [bar for run in runs for bar in run[0]]
            _keep_sections(chart, kept, pair[0][0], sounding, after)
        else:
            kept.repeat(pair[0])
    return kept


def _brought_home(
    chart: Chart, pair: list[list[list[Bar]]], sounding: Mapping[int, Sequence[Note]]
) -> int:
    """How many bars passes have in common with the last one, which is brought home; 0 where it is
    none, or differs from its beginning on."""
    if chart.drill.ending != "home" or len(pair) < 2 or any(comes_after(pair[1][0][0])):
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


def _keep_coda(kept: KeptBars, run: list[list[Bar]], last: list[Bar], left: int) -> None:
    """Passes that are alike, and the last one, which is left for the coda after some bars."""
    if left == len(run[0]):  # it is played to its end
        kept.repeat([*run, last[:left]])
        kept.bars += last[left:]
    else:
        kept.repeat(run)
        kept.with_jump(last[:left], run[0][:left], last[left:])
        kept.bars += last[left:]


def _alike(one: Sequence[Bar], other: Sequence[Bar], sounding: Mapping[int, Sequence[Note]]) -> int:
    """How many bars read alike from the first on."""
    pairs = zip(one, other, strict=False)
    reads = [_read(a, sounding.get(a.number, ())) == _read(b, sounding.get(b.number, ()))
             for a, b in pairs]  # fmt: skip
    return reads.index(False) if False in reads else len(reads)


def _keep_sections(
    chart: Chart,
    kept: KeptBars,
    bars: Sequence[Bar],
    sounding: Mapping[int, Sequence[Note]],
    after: Sequence[Bar],
) -> None:
    """A pass that is printed once, its sections with their endings; `after`: the key's bars that
    come after it."""
    starts = [index for index, bar in enumerate(bars) if bar.starts_section or index == 0]
    sections = [list(bars[i:j]) for i, j in zip(starts, [*starts[1:], len(bars)], strict=True)]
    gaps = chart.drill.gaps
    if gaps is not None and gaps.harmony == "repeats":
        kept.bars += bars
        return
    ends = bars[0].pass_number % chart.drill.passes == 0 and is_coda(sections[-1][0].section)
    coda = sections[-1] if ends else []
    left = sections[:-1] if ends else sections
    for count in range(1, len(left)) if ends or _ends_at_fine(chart, after) else ():
        again = list(chain(*left[count:]))
        found = KeptBars([])
        _keep_each(found, left[:count], sounding)
        if printed := _shows(found.straight, again, sounding):
            _keep_each(kept, left[:count], sounding)
            kept.with_jump(again, printed, coda or after)
            kept.bars += coda
            return
    _keep_each(kept, sections, sounding)


def _ends_at_fine(chart: Chart, after: Sequence[Bar]) -> bool:
    """Whether a key's only pass ends at the Fine.  What the track adds to it, a tag or a last
    chord, stands on the sheet as a coda does; with a bar on to the next key it is written out."""
    drill = chart.drill
    return drill.progression.fine and drill.passes == 1 and not any(bar.change for bar in after)


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
    kept: KeptBars, sections: list[list[Bar]], sounding: Mapping[int, Sequence[Note]]
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
    for _, found in groupby(bars, key=lambda bar: (bar.pass_number, *comes_after(bar))):
        one = list(found)
        reads = [_read(bar, sounding.get(bar.number, ())) for bar in one]
        if runs and reads == before and not any(comes_after(one[0])):
            runs[-1].append(one)
        else:
            runs.append([one])
        before = reads
    return runs


def comes_after(bar: Bar) -> tuple[bool, bool]:
    """Whether a bar comes after the last pass: in a tag or on to the next key, or in the ending."""
    return bar.tag or bar.change, bar.role == "ending"


def _read(bar: Bar, notes: Sequence[Note]) -> tuple[object, ...]:
    """What a reader sees of a bar: role, chords and notes."""
    chords = tuple((span.start - bar.start, span.duration, span.chord) for span in bar.spans)
    played = tuple((n.start - bar.start, n.duration, n.pitch, n.mark) for n in notes)
    return bar.role, bar.section, bar.starts_section, chords, played

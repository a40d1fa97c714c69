"""The form of a written score: in which order its measures are played, and the sections, endings
and coda of this language that say the same.

After a da capo or dal segno repeats are not taken and endings are the last ones (common practice).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count, groupby, pairwise
from string import ascii_uppercase
from typing import Any

from drillgen.drill.score_file import ScoreMeasure

_MOST = 2000  # measures as played: more is a jump that never ends
_JUMPS = {"dacapo", "dalsegno"}


@dataclass(frozen=True, slots=True)
class PlayingOrder:
    """The places of the measures as they are played, and after how many of them the coda begins;
    -1: nothing jumps to one."""

    places: tuple[int, ...]
    coda: int = -1
    fine: bool = False  # a jump has led to where it ends


def playing_order(measures: Sequence[ScoreMeasure]) -> PlayingOrder:
    """Raises RefusedError for what never ends, and where signs contradict each other."""
    _check_endings(measures)
    _check_jumps(measures)
    order: list[int] = []
    start, turn, at, jumped, coda, fine = 0, 1, 0, False, -1, False
    while at < len(measures):
        measure = measures[at]
        if measure.forward and at != start:
            start, turn = at, 1
        most = _times(measures, start)
        turn = most if jumped else turn
        if measure.ending and turn not in measure.ending and (not jumped or turn <= most):
            at += 1
            continue
        order.append(at)
        if len(order) > _MOST:
            raise measure.refuse("repeats and jumps never end", "a form that ends")
        if fine := jumped and "fine" in measure.marks:
            break
        if jumped and coda < 0 and "tocoda" in measure.marks:
            at = start = _coda(measures, at)
            coda = len(order)
            continue
        if measure.backward and turn < most:
            turn, at = turn + 1, start
            continue
        closes = measure.ending and (at + 1 == len(measures) or not measures[at + 1].ending)
        if measure.backward or (closes and turn == most):
            start, turn = at + 1, 1
        if not jumped and measure.marks & _JUMPS:
            jumped = True
            at = start = 0 if "dacapo" in measure.marks else _segno(measures)
            continue
        at += 1
    return PlayingOrder(tuple(order), coda, fine)


def _times(measures: Sequence[ScoreMeasure], start: int) -> int:
    """How often the section that begins at a place is played."""
    most = 1
    for place, measure in enumerate(measures[start:], start):
        if measure.forward and place != start:
            break
        most = max(most, measure.backward, *measure.ending)
        if measure.backward and not measure.ending:
            break
    return most


def _segno(measures: Sequence[ScoreMeasure]) -> int:
    return next(place for place, each in enumerate(measures) if "segno" in each.marks)


def _coda(measures: Sequence[ScoreMeasure], after: int) -> int:
    """Where the coda begins: at its last sign, behind the jump."""
    return max(p for p, each in enumerate(measures) if "coda" in each.marks and p > after)


# Signs that contradict each other: what a player would have to guess is refused, at its measure.


def _check_jumps(measures: Sequence[ScoreMeasure]) -> None:
    jumps = [each for each in measures if each.marks & _JUMPS]
    if len(jumps) > 1:
        said = f"a second jump, after that in measure {jumps[0].number}"
        raise jumps[1].refuse(said, "one D.C. or D.S.")
    for jump in jumps:
        _check_jump(measures, jump)
    for leaves in () if jumps else (each for each in measures if "tocoda" in each.marks):
        raise leaves.refuse("To Coda, and nothing jumps back", "a D.C. or D.S. after it")


def _check_jump(measures: Sequence[ScoreMeasure], jump: ScoreMeasure) -> None:
    end, marks = measures.index(jump), jump.marks
    segno, leaves, coda, fine = (
        [place for place, each in enumerate(measures) if sign in each.marks]
        for sign in ("segno", "tocoda", "coda", "fine")
    )
    if marks >= _JUMPS:
        raise jump.refuse("D.C. and D.S. in one measure", "one of them")
    if "dalsegno" in marks and not (segno and segno[0] <= end):
        raise jump.refuse("the jump leads to a segno, and there is none before it", "a segno")
    if "alfine" in marks and not fine:
        raise jump.refuse("the jump goes on to the Fine, and there is none", "Fine at a measure")
    if ("alcoda" in marks or (coda and not fine)) and not leaves:
        raise jump.refuse("the jump leads to a coda, and no To Coda leaves for it", "To Coda")
    first = segno[0] if "dalsegno" in marks else 0
    for place in leaves:
        if not first <= place <= end:
            between = f"between measures {measures[first].number} and {jump.number}"
            raise measures[place].refuse("To Coda is not where the jump leads", between)
        if not coda or coda[-1] <= place:
            raise measures[place].refuse("To Coda, and no coda after it", "a coda's sign after it")


def _check_endings(measures: Sequence[ScoreMeasure]) -> None:
    """Each group of endings counts its times, and all but the last one go back."""
    for ended, group in groupby(measures, key=lambda each: bool(each.ending)):
        if ended:
            _check_group(list(group))


def _check_group(found: Sequence[ScoreMeasure]) -> None:
    said: set[int] = set()
    for numbers, group in groupby(found, key=lambda each: each.ending):
        ending = list(group)
        if again := said & numbers:
            raise ending[0].refuse(f"ending {min(again)} stands here again", "each time once")
        if missing := set(range(1, min(numbers))) - said:
            message = f"ending {min(numbers)} and no ending {min(missing)} before it"
            raise ending[0].refuse(message, "each time an ending, from the first on")
        said |= numbers
        if ending[-1] is not found[-1] and not ending[-1].backward:
            raise ending[-1].refuse("an ending that another follows does not go back",
                                    "a repeat sign at its end")  # fmt: skip


# Sections, by what divides them: repeats, endings, jumps and what they lead to, rehearsal marks.

_CODA, _FORM = "coda", "form"
_NAME = re.compile(rf"(?!(?:{_CODA}|{_FORM})$)[A-Z]\w{{0,19}}", re.IGNORECASE)


@dataclass(slots=True)
class _FormSection:
    """What begins at one place, and how it ends each time."""

    rehearsal: str
    bars: list[str] = field(default_factory=list)
    endings: list[list[str]] = field(default_factory=list)

    def add(self, bars: list[str], ending: list[str]) -> None:
        self.bars = max(self.bars, bars, key=len)  # the one that is left for the coda is shorter
        self.endings += [ending] if ending else []

    def value(self, **left: int) -> Any:
        """As a drill has it, left for the coda or ending the form after some bars."""
        ends = [" | ".join(ending) for ending in self.endings]
        while len(ends) > 1 and ends[-1] == ends[-2]:  # the last one stays
            ends.pop()
        bars = [*self.bars, *(self.endings[0] if len(ends) == 1 else [])]
        found: dict[str, Any] = {"bars": " | ".join(bars)}
        if len(ends) > 1:
            found["endings"] = ends
        found |= left
        return found if len(found) > 1 else found["bars"]


def sections(
    measures: Sequence[ScoreMeasure], order: PlayingOrder, chords: Sequence[str]
) -> dict[str, Any]:
    """The progression of a score by its sections, and their form; `chords` are its bars' texts in
    playing order."""
    end = order.coda if order.coda >= 0 else len(chords)
    played, found, length = [], dict[int, _FormSection](), 0
    for visit in _visits(measures, order, end):
        head, length = order.places[visit[0]], len(visit)
        played.append(head)
        texts: dict[bool, list[str]] = {False: [], True: []}  # of bars in no ending, and in one
        for at in visit:
            texts[bool(measures[order.places[at]].ending)].append(chords[at])
        found.setdefault(head, _FormSection(measures[head].rehearsal)).add(
            texts[False], texts[True]
        )
    names = _named(found)
    said = {names[head]: section.value() for head, section in found.items()}
    words = [names[head] for head in played]
    if order.coda >= 0:
        said[words[-1]] = found[played[-1]].value(to_coda=length)
        said[_CODA] = " | ".join(chords[end:])
        words.append(_CODA)
    if order.fine:
        said[words[-1]] = found[played[-1]].value(fine=length)
    return {**said, _FORM: " ".join(words)}


def _visits(measures: Sequence[ScoreMeasure], order: PlayingOrder, end: int) -> Iterator[list[int]]:
    """Each time that a section is played: its bars, by their indices in playing order."""
    cuts, visit = {*_cuts(measures), *order.places[end : end + 1]}, list[int]()
    for at, place in enumerate(order.places[:end]):
        if visit and place in cuts and not measures[place].ending:
            yield visit
            visit = []
        visit.append(at)
    yield visit


def _cuts(measures: Sequence[ScoreMeasure]) -> Iterator[int]:
    yield 0
    for place, (before, each) in enumerate(pairwise(measures), 1):
        ends = before.backward or before.marks & {*_JUMPS, "fine"} or before.ending != each.ending
        if ends or each.forward or each.rehearsal or "segno" in each.marks:
            yield place


def _named(found: Mapping[int, _FormSection]) -> dict[int, str]:
    """By where it begins, a section's name: its rehearsal mark, unless that names other music; else
    a letter that is free."""
    marks = {section.rehearsal for section in found.values()}
    letters = (letter for letter in _letters() if letter not in marks)
    names, music = dict[int, str](), dict[str, Any]()
    for head, section in found.items():
        mark, value = section.rehearsal, section.value()
        fits = _NAME.fullmatch(mark) and music.get(mark, value) == value
        names[head] = mark if fits else next(letters)
        music[names[head]] = value
    return names


def _letters() -> Iterator[str]:
    yield from ascii_uppercase
    yield from (f"{letter}{number}" for number in count(2) for letter in ascii_uppercase)

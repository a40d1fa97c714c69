"""What a sheet says in words: tempo, key, whose turn it is, and what to know before the first bar.

Swing eighths are written straight and the mark says how they are played (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.melody import ScaleNote
from drillgen.drill.models import Drill
from drillgen.errors import counted
from drillgen.sheet.layout import SheetBar
from drillgen.sheet.reader import CONTRASTING
from drillgen.timing import ratio_in


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

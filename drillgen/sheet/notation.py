"""Notes and words in MusicXML.

The order of elements follows the W3C schema.

In words: tempo, key, section, whose turn it is.

Swing eighths are written straight and the mark says how they are played (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import NamedTuple
from xml.etree.ElementTree import Element, SubElement

from drillgen.chart import Bar, Chart
from drillgen.drill.melody import ScaleNote
from drillgen.drill.models import Drill
from drillgen.errors import counted
from drillgen.score import Note
from drillgen.sheet.layout import SheetBar
from drillgen.sheet.reader import CONTRASTING
from drillgen.sheet.staff import Sign, rows_of
from drillgen.sheet.values import TRIPLET
from drillgen.theory.pitch import Pitch
from drillgen.timing import ratio_in

# XML elements with text, as MusicXML's writers need them.


def text(
    parent: Element, tag: str, content: object, attributes: Mapping[str, str] | None = None
) -> Element:
    """A child that holds a text."""
    element = SubElement(parent, tag, dict(attributes or {}))
    element.text = str(content)
    return element


def pretty(words: str) -> str:
    """Accidentals as musicians write them: 'm7b5' is 'm7♭5'."""
    return words.replace("b", "♭").replace("#", "♯")


DIVISIONS = 48  # of a quarter note: holds 64ths and triplets of sixteenths exactly
_SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
# The middle line of a staff, where slashes lie.
MIDDLE = {
    "bass": Pitch.parse("D3"),
    "treble": Pitch.parse("B4"),
    "alto": Pitch.parse("C4"),
    "tenor": Pitch.parse("A3"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """A row of text under the staff, a word a note."""

    name: str  # "finger", "string", "position", "degree"
    texts: Mapping[Note, str]


class Fret(NamedTuple):
    """Where a note lies on a tablature."""

    string: int  # 1 is the highest
    fret: int  # 0 is open


@dataclass(frozen=True, slots=True)
class Style:
    """What the notes of a whole sheet have in common."""

    clef: str
    rows: Sequence[Row] = ()
    frets: Mapping[Note, Fret] | None = None  # of a tablature under the staff

    @property
    def staves(self) -> int:
        return 1 if self.frets is None else 2


def note_on_staff(parent: Element, sign: Sign, identity: str, style: Style) -> None:
    """A sign on the staff: a note or chord with its rows, a rest, or a slash."""
    if not sign.notes:
        _silent(parent, sign, identity, style)
        return
    for index, pitch in enumerate(sign.pitches):
        note = SubElement(parent, "note", id=identity + (f"c{index}" if index else ""))
        if index:
            SubElement(note, "chord")
        _pitch(note, pitch)
        _duration(note, sign)
        _ties(note, sign)
        _value(note, sign, style, index)
        if index == 0:
            _beams(note, sign)
        _notations(note, sign, index)
        if index == 0:
            _lyrics(note, sign, style.rows)


def bar_rest(parent: Element, divisions: int, identity: str, style: Style, *, held: bool) -> None:
    """A bar of rest, or what stands for a bar of slashes."""
    note = SubElement(parent, "note", id=identity)
    SubElement(note, "rest", measure="yes")
    text(note, "duration", divisions)
    text(note, "voice", 1)
    if style.staves > 1:
        text(note, "staff", 1)
    if held:
        SubElement(SubElement(note, "notations"), "fermata")


def note_on_tablature(parent: Element, sign: Sign, identity: str, style: Style) -> None:
    """The same sign on the second staff: strings and frets; rests are not shown there."""
    if not sign.notes:
        note = SubElement(parent, "note", {"print-object": "no", "id": f"{identity}t"})
        SubElement(note, "rest")
        _tab_value(note, sign)
        return
    for index, (played, pitch) in enumerate(zip(sign.notes, sign.pitches, strict=True)):
        note = SubElement(parent, "note", id=f"{identity}t" + (f"c{index}" if index else ""))
        if index:
            SubElement(note, "chord")
        _pitch(note, pitch)
        _duration(note, sign)
        _ties(note, sign)
        _tab_value(note, sign, timed=False)
        if style.frets is not None:
            _fret(note, style.frets[played], sign)


def _fret(note: Element, fret: Fret, sign: Sign) -> None:
    notations = SubElement(note, "notations")
    _tied(notations, sign)
    technical = SubElement(notations, "technical")
    text(technical, "string", fret.string)
    text(technical, "fret", fret.fret)


def _tab_value(note: Element, sign: Sign, *, timed: bool = True) -> None:
    if timed:
        _duration(note, sign)
    text(note, "voice", 5)
    _length(note, sign)
    text(note, "stem", "none")
    text(note, "staff", 2)


def _silent(parent: Element, sign: Sign, identity: str, style: Style) -> None:
    attributes = {"id": identity}
    attributes |= {"dynamics": "0"} if sign.slash else {}  # it makes no sound
    attributes |= {"print-object": "no"} if sign.hidden else {}
    note = SubElement(parent, "note", attributes)
    if sign.slash:
        _pitch(note, MIDDLE[style.clef])
    else:
        SubElement(note, "rest")
    _duration(note, sign)
    _value(note, sign, style)
    _notations(note, sign, 0)


def _pitch(note: Element, pitch: Pitch) -> None:
    element = SubElement(note, "pitch")
    text(element, "step", pitch.name.letter)
    if pitch.name.alter:
        text(element, "alter", pitch.name.alter)
    text(element, "octave", pitch.octave)


def _duration(note: Element, sign: Sign) -> None:
    text(note, "duration", round(sign.piece.length * DIVISIONS))


def _ties(note: Element, sign: Sign) -> None:
    for kind in _tie_kinds(sign):
        SubElement(note, "tie", type=kind)


def _tie_kinds(sign: Sign) -> Iterator[str]:
    if sign.tied_from:
        yield "stop"
    if sign.tied_on:
        yield "start"


def _value(note: Element, sign: Sign, style: Style, index: int = 0) -> None:
    text(note, "voice", 1)
    _length(note, sign, index)
    if sign.slash:
        text(note, "stem", "none")
        text(note, "notehead", "slash")
    if style.staves > 1:
        text(note, "staff", 1)


def _length(note: Element, sign: Sign, index: int | None = None) -> None:
    text(note, "type", sign.piece.value)
    for _ in range(sign.piece.dots):
        SubElement(note, "dot")
    if index is not None and index < len(sign.shown) and sign.shown[index].alter is not None:
        shown = sign.shown[index]
        attributes = {"cautionary": "yes", "parentheses": "yes"} if shown.courtesy else {}
        text(note, "accidental", _SIGNS[shown.alter or 0], attributes)
    if sign.piece.triplet:
        modification = SubElement(note, "time-modification")
        text(modification, "actual-notes", TRIPLET[0])
        text(modification, "normal-notes", TRIPLET[1])


def _beams(note: Element, sign: Sign) -> None:
    for level, beam in enumerate(sign.beams, start=1):
        text(note, "beam", beam, {"number": str(level)})


def _notations(note: Element, sign: Sign, index: int) -> None:
    bracket = sign.triplet if index == 0 else ""
    fermata = sign.fermata and index == 0
    if not (sign.tied_from or sign.tied_on or bracket or fermata):
        return
    notations = SubElement(note, "notations")
    _tied(notations, sign)
    if bracket:
        SubElement(notations, "tuplet", type=bracket)
    if fermata:
        SubElement(notations, "fermata")


def _tied(notations: Element, sign: Sign) -> None:
    for kind in _tie_kinds(sign):
        SubElement(notations, "tied", type=kind)


def _lyrics(note: Element, sign: Sign, rows: Sequence[Row]) -> None:
    for number, row in enumerate(rows, start=1):
        if words := rows_of(sign, row.texts):
            lyric = SubElement(note, "lyric", number=str(number), name=row.name)
            text(lyric, "text", words)


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


# What stands over a bar, in MusicXML: `<direction>`s.


def marks_over(measure: Element, marks: BarMarks, divisions: int) -> None:
    """Key, section, tempo, whose turn it is, and how often; the bar is `divisions` long."""
    if marks.key:
        text(_over(measure), "words", marks.key, {"font-weight": "bold", "enclosure": "rectangle"})
    if marks.rehearsal:
        text(_over(measure), "rehearsal", marks.rehearsal, {"enclosure": "square"})
    if marks.tempo:
        _tempo(measure, marks.tempo)
    if marks.words:
        text(_over(measure), "words", marks.words, {"font-style": "italic"})
    if marks.times:
        _repeated(measure, marks.times, divisions)
    for sign, token in marks.jumps:
        _jump(measure, sign, token, divisions)


# By its sound's name, the words of a jump. Their sign stands beside "To Coda" as an element of its
# own; a space that does not break keeps programs from counting word and sign as two codas.
JUMPS = {
    "tocoda": "To\u00a0Coda",
    "dacapo": "D.C. al Coda",
    "dalsegno": "D.S. al Coda",
}


def _jump(measure: Element, sign: str, token: str, divisions: int) -> None:
    """A sign over a measure's beginning, or a jump over its end, and what is played there."""
    direction = SubElement(measure, "direction", placement="above")
    if words := JUMPS.get(sign):
        over = SubElement(direction, "direction-type")
        text(over, "words", words, {"halign": "right", "font-weight": "bold"})
    if sign not in ("dacapo", "dalsegno"):
        SubElement(SubElement(direction, "direction-type"), sign.removeprefix("to"))
    if words:
        text(direction, "offset", divisions)
    SubElement(direction, "sound", {sign: "yes" if sign == "dacapo" else token})


def _repeated(measure: Element, times: int, divisions: int) -> None:
    """How often a repeat is played, over its end, `divisions` from where the measure begins."""
    direction = SubElement(measure, "direction", placement="above")
    over = SubElement(direction, "direction-type")
    text(over, "words", f"×{times}", {"halign": "right", "font-weight": "bold"})
    text(direction, "offset", divisions)


def _over(measure: Element) -> Element:
    """A direction above the staff; its type is what is written into it."""
    direction = SubElement(measure, "direction", placement="above")
    return SubElement(direction, "direction-type")


def _tempo(measure: Element, tempo: TempoMark) -> None:
    direction = SubElement(measure, "direction", placement="above")
    text(
        SubElement(direction, "direction-type"), "words", f"{tempo.feel} ", {"font-weight": "bold"}
    )
    if tempo.swing:
        _as_triplet(SubElement(SubElement(direction, "direction-type"), "metronome"))
    metronome = SubElement(SubElement(direction, "direction-type"), "metronome")
    text(metronome, "beat-unit", "quarter")
    if tempo.dotted:
        SubElement(metronome, "beat-unit-dot")
    text(metronome, "per-minute", tempo.per_minute)
    sound = SubElement(direction, "sound", tempo=f"{tempo.quarters:g}")
    _swing(SubElement(sound, "swing"), tempo.swing)


def _swing(swing: Element, ratio: tuple[int, int] | None) -> None:
    if ratio is None:
        SubElement(swing, "straight")
        return
    for name, share in zip(("first", "second"), ratio, strict=True):
        text(swing, name, share)
    text(swing, "swing-type", "eighth")


def _as_triplet(metronome: Element) -> None:
    """Two eighths are played as a triplet's quarter and eighth."""
    for place in ("begin", "end"):
        note = SubElement(metronome, "metronome-note")
        text(note, "metronome-type", "eighth")
        text(note, "metronome-beam", place, {"number": "1"})
    text(metronome, "metronome-relation", "equals")
    for value, place in (("quarter", "start"), ("eighth", "stop")):
        note = SubElement(metronome, "metronome-note")
        text(note, "metronome-type", value)
        tuplet = SubElement(note, "metronome-tuplet", type=place, bracket="yes")
        text(tuplet, "actual-notes", TRIPLET[0])
        text(tuplet, "normal-notes", TRIPLET[1])

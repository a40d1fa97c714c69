"""The kinds of line: what a person writes of each, and what the other rooms ask of it.

A kind is a class of options here, with its facts, and its name in `AnyLine`; how it is written out
stands in a module of `drillgen/lines/`, with a row in `lines/kinds.py`.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, get_args

from pydantic import ConfigDict, Field, ValidationInfo
from quicktions import Fraction

from drillgen.drill.bars import Meter
from drillgen.drill.fields import (
    OFF,
    RANGE,
    WORD,
    YES_NO,
    Model,
    Range,
    Read,
    ReadWith,
    Short,
    choice,
    is_off,
    known,
    number,
    whole,
)
from drillgen.drill.line_options import (
    BEATS,
    CELLS,
    CHORD_SCALES,
    DEFAULT_INTERVALS,
    DEFAULT_NOTES,
    ENDS,
    FIRST_STAGE,
    GROW,
    INTERVALS,
    MOST_BEATS,
    ORDER,
    PATTERN,
    ChordScales,
    Ends,
    Pattern,
    RhythmCell,
    read_bebop,
    refuse_ending,
    refuse_too_long,
)
from drillgen.drill.melody import MELODY, SCALE_NOTES, Melody, ScaleNote
from drillgen.drill.messages import Wrongs, refuse, under
from drillgen.drill.sheet import INSTRUMENT, INSTRUMENTS

Direction = Literal["up", "down", "alternating"]
NoteLength = Literal["quarter", "eighth", "triplet"]
HeldFor = Literal["chord", "half", "quarter"]
LedBy = Literal["chromatic", "dominant", "mixed"]


class Line(Model):
    """What every kind of line can be told; and, as class variables, the facts of a kind."""

    model_config = ConfigDict(json_schema_extra={"required": ["kind"]})  # a mapping must name it

    # Where it lies on the instrument of the band's bass, so as to keep clear of it: the lowest MIDI
    # keys that it goes to and that it seeks.  None for what needs the whole range.
    over_the_bass: ClassVar[tuple[int, int] | None] = None
    # Whether it is made from the chords, and so spelled anew where another name reads better; a
    # melody of scale notes is spelled by its tonic, and roots stand as they do in the symbols.
    of_chords: ClassVar[bool] = False
    # Whether it keeps as high without a bass in the band as over one: in the lowest octave it would
    # not be heard as a voice of the harmony.
    keeps_up: ClassVar[bool] = False
    # Whether it does a bass player's work: in the bass's place, and home to the last root.
    is_bass: ClassVar[bool] = False
    # Whether it walks: accents on 2 and 4, and on through a tag as through a pass.
    walks: ClassVar[bool] = False
    # Whether it is always learned by ear, as a dictated line of any kind is.
    learned_by_ear: ClassVar[bool] = False

    kind: str
    instrument: Annotated[str, INSTRUMENT] = "upright"
    """What plays the line."""
    range: Annotated[Range | None, RANGE] = None
    """Lowest and highest sounding pitch; by default what lies well on the instrument."""
    begin_at: Annotated[int, whole(1, MOST_BEATS)] = 1
    """The beat on which each call begins; what lies before it in its first bar is left out."""
    dictation: Annotated[bool, YES_NO] = False
    """Heard and not shown: the sheet leaves its bars empty to write in, the answers stand apart."""

    @property
    def by_ear(self) -> bool:
        """Whether it is learned by ear: hidden on the page at first, shown on the sheet in the
        answers."""
        return self.learned_by_ear or self.dictation

    @property
    def beats_named(self) -> dict[str, int]:
        """Options that name a beat of the bar, and the last beat that each names."""
        return {"begin_at": self.begin_at}

    @property
    def chosen_scales(self) -> ChordScales:
        """Scales that were chosen for some chords."""
        return ()

    @property
    def notes_used(self) -> tuple[ScaleNote, ...]:
        """The few notes that it is made of, where the student is told them."""
        return ()

    def lead(self, bar: Fraction) -> Fraction:
        """Quarter notes before each call in which a pick-up to it sounds; `bar` is a bar's."""
        return 0 * bar

    def check(self, meter: Meter) -> None:
        """Raises RefusedError where the line does not fit the meter."""

    def check_gaps(self, call: int | None, response: int | None) -> None:
        """Raises RefusedError where it does not fit the bars of call and response (None: none)."""

    @property
    def sounding_range(self) -> tuple[int, int]:
        """Lowest and highest sounding MIDI key."""
        if self.range is not None:
            return self.range.midi
        instrument = INSTRUMENTS[self.instrument]
        return instrument.low.midi, instrument.high.midi


class GuideTones(Line):
    """Thirds and sevenths, moving by the smallest step."""

    model_config = ConfigDict(json_schema_extra={})  # a mapping without a kind means this one
    # Beyond the open G, where a bass player's upper register begins, or down to Eb2 to stay in one
    # piece.
    over_the_bass = (39, 43)
    keeps_up = True
    of_chords = True

    kind: Literal["guide tones"] = "guide tones"
    begin_on: Annotated[Literal[3, 7], WORD] = 3
    """The tone of the first chord that the line begins on."""
    voices: Annotated[Literal["one", "both"], WORD] = "one"
    """One voice, or the two together."""
    rhythm: Annotated[HeldFor, WORD] = "chord"
    """A note for each chord, or repeated in halves (two beats) or quarters (a beat)."""
    thread: Annotated[Literal["key", "track"], WORD] = "key"
    """Begin anew in each key, or go on from key to key by the smallest step."""


class Roots(Line):
    """The root of each chord, or the bass of a slash chord."""

    is_bass = True

    kind: Literal["roots"] = "roots"


class Arpeggio(Line):
    """The tones of each chord in a stated order."""

    of_chords = True

    kind: Literal["arpeggio"] = "arpeggio"
    order: Annotated[tuple[int, ...], ORDER] = (1, 3, 5, 7)
    """Degrees over each chord's root, in the order in which they are played."""
    inversion: Annotated[int, whole(0, 3)] = 0
    """How many tones higher it begins: 1 makes 3 5 7 8 of 1 3 5 7."""
    direction: Annotated[Direction, WORD] = "up"
    """The order as written, backwards, or one chord each way."""
    note: Annotated[NoteLength, WORD] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    connect: Annotated[bool, YES_NO] = False
    """Begin each chord on the tone nearest to the last note."""


class Walking(Line):
    """A note a beat that outlines the chords and leads into each change."""

    of_chords = True
    is_bass = True
    walks = True

    kind: Literal["walking"] = "walking"
    beat_one: Annotated[Literal["root", "chord tone"], WORD] = "root"
    """Where a chord begins: always its root, or another tone of it now and then."""
    approach: Annotated[LedBy, WORD] = "mixed"
    """How the last beat leads on: by a semitone, from the fifth above, or both."""
    two_beat: Annotated[bool, YES_NO] = False
    """Two notes a bar instead of four."""
    version: Annotated[Literal["full", "bare", "alternating"], WORD] = "full"
    """The whole line, its roots and guide tones alone, or first these and then the same line."""


class ScalePattern(Line):
    """Patterns over each chord's scale."""

    of_chords = True

    kind: Literal["scale pattern"] = "scale pattern"
    pattern: Annotated[Pattern | tuple[int, ...], PATTERN] = (1, 2, 3, 5)
    """Degrees over each chord's root, or the scale in steps, thirds, fourths or groups of four."""
    direction: Annotated[Direction, WORD] = "up"
    """Rising, falling, or one chord each way."""
    note: Annotated[NoteLength, WORD] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    scales: Annotated[ChordScales, CHORD_SCALES] = ()
    """Scales for some chords, in the place of the usual ones: {V7: altered, m7: dorian}."""
    bebop: Annotated[bool, ReadWith(read_bebop, {**YES_NO.schema, "default": False})] = False
    """A passing note in each scale, so that chord tones fall on the beats."""
    connect: Annotated[bool, YES_NO] = False
    """Go on from the nearest tone at each change, up and down through the whole range."""

    @property
    def chosen_scales(self) -> ChordScales:
        return self.scales


Approach = Literal[
    "above below",
    "below above",
    "double chromatic",
    "double chromatic above",
    "double",
    "from below",
    "from above",
]
# The notes of each: "above" is a scale's next tone, a number so many semitones over the target.
APPROACHES: dict[Approach, tuple[str | int, ...]] = {
    "above below": ("above", -1),
    "below above": (-1, "above"),
    "double chromatic": (-2, -1),
    "double chromatic above": (2, 1),
    "double": (2, 1, -2, -1),
    "from below": (-1,),
    "from above": ("above",),
}
_EIGHTH = Fraction(1, 2)  # quarter notes


class Enclosure(Line):
    """Chord tones reached from a note above and a note below."""

    over_the_bass = (36, 40)  # an octave over the lowest roots
    of_chords = True

    kind: Literal["enclosure"] = "enclosure"
    target: Annotated[Literal["root", "third", "fifth", "seventh", "guide tones"], WORD] = "third"
    """The chord tone that is aimed at; guide tones: third or seventh, whichever is nearer."""
    approach: Annotated[Approach, WORD] = "above below"
    """The notes before it: scale tone above, semitone below, or semitones from one side or both."""
    delayed: Annotated[bool, YES_NO] = False
    """The last of these notes on the beat, and the target an eighth after it."""
    pickup: Annotated[bool, YES_NO] = False
    """The notes before a call's first target sound before the call, as a pick-up to it."""
    beats: Annotated[tuple[int, ...], BEATS] = ()
    """Where the targets fall: where each chord begins, or on these beats of the bar."""
    fill: Annotated[Literal["rest", "hold", "chord tones"], WORD] = "hold"
    """What comes between: silence, the target held, or chord tones in eighths."""
    scales: Annotated[ChordScales, CHORD_SCALES] = ()
    """Scales for some chords, in the place of the usual ones: {V7: altered, m7: dorian}."""

    def lead(self, bar: Fraction) -> Fraction:
        """How long the notes before a first target are, in quarter notes, as a pick-up."""
        notes = len(APPROACHES[self.approach]) - self.delayed
        return notes * _EIGHTH if self.pickup else Fraction(0)

    @property
    def beats_named(self) -> dict[str, int]:
        return {**super().beats_named, "beats": max(self.beats, default=1)}

    @property
    def chosen_scales(self) -> ChordScales:
        return self.scales


class Composed(Line):
    """A line with its own notes: a melody, with a pick-up perhaps."""

    notes: Annotated[Melody, MELODY]

    def lead(self, bar: Fraction) -> Fraction:
        """How long the pick-up is, in quarter notes."""
        return self.notes.pickup(bar)

    def check(self, meter: Meter) -> None:
        """Bars add up."""
        with under("notes"):
            self.notes.check(meter)


class Intervals(Line):
    """Intervals by name over each chord, to be sung before they are played."""

    over_the_bass = (36, 40)

    kind: Literal["intervals"] = "intervals"
    sizes: Annotated[tuple[str, ...], INTERVALS] = DEFAULT_INTERVALS
    """The intervals in turn, one a chord: m3 M3 P4 P5."""
    start: Annotated[Literal["root", "chord tones"], WORD] = Field(default="root", alias="from")
    """What they are counted from: each chord's root, or its 1, 3, 5 and 7 in turn."""
    direction: Annotated[Literal["up", "down", "both"], WORD] = "up"
    """Above that note, below it, or one chord each way."""
    sung: Annotated[bool, YES_NO] = True
    """Silence after the first note, in which the other one is sung before the line plays it."""


Develop = Literal["no", "note", "rhythm"]
_DEVELOP = choice(*get_args(Develop))
DEVELOP = Read(
    lambda value: "no" if is_off(value) else _DEVELOP.function(value),
    {"enum": [*dict.fromkeys((*get_args(Develop), *OFF))]},
)


class Riff(Composed):
    """A figure in degrees of the tonic, kept over every chord."""

    over_the_bass = (36, 40)

    kind: Literal["riff"] = "riff"
    notes: Annotated[Melody, MELODY]
    """The riff in degrees of the tonic, with its rhythm."""
    develop: Annotated[Develop, DEVELOP] = "no"
    """Change one note, or the place of one note, each time round; the first note stays."""
    blue: Annotated[bool, YES_NO] = True
    """Blue notes stay: b3, b5, b7 of the tonic over every chord, the #9 over a dominant."""

    def check(self, meter: Meter) -> None:
        """Bars add up, the notes are degrees, and there is something to develop."""
        with Wrongs() as wrongs:
            with wrongs.at():
                super().check(meter)
            with wrongs.at("notes"):
                if not all(isinstance(tone, ScaleNote) for tone in self.notes.tones):
                    raise refuse("a riff is written in degrees", "degrees, or `kind: written`")
            with wrongs.at("develop"):
                if self.develop == "note" and len(set(self.notes.tones)) < 2:
                    raise refuse("the riff has one note only", "no, or two different notes")


class Written(Composed):
    """A melody of one's own, transposed through the cycle."""

    over_the_bass = (0, 36)  # as wide as it is, rather an octave over the lowest roots than not

    kind: Literal["written"] = "written"
    notes: Annotated[Melody, MELODY]
    """The melody in degrees of the tonic, or by name in the drill's key, with its rhythm."""
    then: Annotated[Literal["repeat", "rest"], WORD] = "repeat"
    """What comes where the melody is shorter than the form: it again, or silence."""


class Phrases(Line):
    """Phrases from a few notes, each as long as the gap that follows it."""

    over_the_bass = (36, 40)
    learned_by_ear = True

    kind: Literal["phrases"] = "phrases"
    notes: Annotated[tuple[ScaleNote, ...], SCALE_NOTES] = DEFAULT_NOTES
    """The only notes used, as degrees of the tonic, in the order in which they come in."""
    grow: Annotated[tuple[int, ...] | None, GROW] = None
    """Begin with the first two notes and add one at a time through the track, or as listed."""
    length: Annotated[int | None, whole(1, 64, "bars")] = None
    """Bars from the call's start in which a phrase lies; by default the whole call."""
    density: Annotated[float, number(0, 1)] = 0.5
    """How busy the rhythm is."""
    rests: Annotated[float, number(0, 1)] = 0.2
    """How much of a phrase is left silent."""
    cells: Annotated[tuple[RhythmCell, ...] | None, CELLS] = None
    """The rhythms that phrases are put together from; by default common ones."""
    height: Annotated[Literal["low", "middle", "high"], WORD] = Field(
        default="middle", alias="register"
    )
    """Where in the range the notes lie."""
    ends: Annotated[Ends, ENDS] = Ends()
    """Each phrase ends on a note of rest, or on another one like a question, or now and then; and
    how long that note lasts: {note: open, length: h}, by default a beat or more."""
    repeat: Annotated[bool, YES_NO] = False
    """The same phrases again in every pass and key; by default no motive comes again within four
    calls."""

    @property
    def notes_used(self) -> tuple[ScaleNote, ...]:
        return self.notes

    @property
    def stages(self) -> tuple[int, ...]:
        """How many of the notes are used at each stage of the track."""
        return self.grow or tuple(range(FIRST_STAGE, len(self.notes) + 1))

    def check(self, meter: Meter) -> None:
        """No cell is longer than a bar; a last note lasts a beat at least and a bar at most."""
        with Wrongs() as wrongs:
            with wrongs.at("cells"):
                refuse_too_long(self.cells or (), meter)
            with wrongs.at("ends", "length"):
                refuse_ending(self.ends.length, meter)

    def check_gaps(self, call: int | None, response: int | None) -> None:
        """The gap is as long as the call, and the phrase no longer."""
        if call is None:
            raise refuse("phrases need a gap to be answered in", "gaps: 4", at=("gaps",))
        if call != response:
            raise refuse(
                f"bars of call and gap: {call} and {response}; phrases need a gap as long as "
                "the call",
                f"response: {call}",
                at=("gaps", "response"),
            )
        if self.length is not None and self.length > call:
            message = f"a phrase of {self.length} bars is longer than the call"
            raise refuse(message, f"up to {call}", at=("line", "length"))


AnyLine = Annotated[
    GuideTones
    | Roots
    | Arpeggio
    | Walking
    | ScalePattern
    | Enclosure
    | Intervals
    | Riff
    | Written
    | Phrases,
    Field(discriminator="kind"),
]
MODELS: dict[str, type[Line]] = {
    model.model_fields["kind"].default: model for model in get_args(get_args(AnyLine)[0])
}
DEFAULT_KIND = "guide tones"
COMMON = tuple(Line.model_fields)  # options that outlive a change of kind


_DICTATED = '"{kind: phrases, dictation: true}"'


def _long(value: Any) -> Any:
    """`arpeggio` is short for `{kind: arpeggio}`; without a kind, guide tones are meant."""
    if isinstance(value, Line):
        return value
    options = value if isinstance(value, dict) else {"kind": value}
    kind = options.get("kind", DEFAULT_KIND)
    if is_off(kind):
        return None
    with under(*(["kind"] if isinstance(value, dict) else [])):
        if kind == "dictation":
            raise refuse("dictation is no kind of line", "any kind, dictated", _DICTATED)
        known(kind, "kind of line", MODELS, "off")
    return {**options, "kind": kind}


_IN_ONE_WORD = [
    kind
    for kind, model in MODELS.items()
    if not any(field.is_required() for field in model.model_fields.values())
]
_NO_LINE = {"enum": [*OFF], "description": "No line: the band alone."}
_SILENT = {"type": "object", "properties": {"kind": _NO_LINE}, "required": ["kind"]}
LINE = Short(_long, ({"enum": [*_IN_ONE_WORD, *OFF]}, _SILENT))


def in_meter(line: AnyLine | None, info: ValidationInfo) -> AnyLine | None:
    """A line that fits the drill's meter, where that could be read: in all that it names beats of,
    and in its own shape."""
    meter = info.data.get("meter")
    if line is None or meter is None:
        return line
    with Wrongs() as wrongs:
        for key, beat in line.beats_named.items():
            with wrongs.at(line.kind, key):
                if beat > meter.beats:
                    raise refuse(f"{meter} has no beat {beat}", f"1 to {meter.beats}")
        with wrongs.at(line.kind):
            line.check(meter)
    return line

"""The drill as it is meant.

Every compact form of the language is read by the field's own annotation (`fields.py`), so the rest
of the house meets one shape only.  `Drill.model_validate` takes plain data and raises pydantic's
ValidationError; `reader.py` makes sentences of that.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationInfo, model_validator

from drillgen.drill.band import (
    ALIASES,
    BAND,
    DROP_OUTS,
    GAPS,
    Band,
    DropOuts,
    Gaps,
    check_feel,
    in_feel,
    meters,
    playable_feels,
    short,
)
from drillgen.drill.bars import BAR_RANGE, METERS, TEMPO, BarRange, Meter, Tempo
from drillgen.drill.fields import (
    NOTE,
    OFF,
    TITLE,
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
from drillgen.drill.key_cycle import C_MAJOR, KEY, KEY_CYCLE, default_cycle
from drillgen.drill.lines import LINE, AnyLine, GuideTones, Line, in_meter
from drillgen.drill.messages import RefusedError, listed, refuse, under
from drillgen.drill.progression import PROGRESSION, Progression
from drillgen.drill.sheet import (
    AUDIO,
    BASSES,
    POSITIONS_READ,
    SHEET,
    SOUNDS_READ,
    AskedSounds,
    Audio,
    Fingering,
    Positions,
    SheetSpec,
    open_strings,
)
from drillgen.theory.pitch import Key, Name, Pitch

# How long a track will be, worked out before it is laid out in bars, and the most it may be.
#
# A chart grows with its track: one of two days takes minutes to lay out, and no WAV could hold it
# (its lengths are 32 bits, which is 6.8 hours).

LONGEST = 3  # hours: as long as nobody should practise without a break


def seconds(drill: Drill, keys: int, tempo: Tempo) -> float:
    """How long a track in some of a drill's keys is at a tempo, before its ending."""
    lead_in = drill.count_in.bars + drill.count_in.starting_note
    if drill.bars is not None:
        bars, keys = drill.bars.count * drill.repeat, 1
        return (lead_in + bars) / tempo.at(1) * drill.meter.beats * 60
    passes = range(1, drill.passes * keys + 1)
    minutes = lead_in / tempo.at(1)
    minutes += sum(_bars_a_pass(drill, number) / tempo.at(number) for number in passes)
    if drill.key_change != "none":
        minutes += sum(1 / tempo.at(number * drill.passes) for number in range(1, keys))
    return minutes * drill.meter.beats * 60


def _bars_a_pass(drill: Drill, number: int = 1) -> int:
    """The bars of the form as it is played in a pass, from 1, and responses over the same again."""
    form, gaps = len(drill.progression.played(last=number % drill.passes == 0)), drill.gaps
    if gaps is None or gaps.harmony != "repeats":
        return form
    calls, rest = divmod(form, gaps.call)
    return form + calls * gaps.response + min(rest, gaps.response)


def check_length(drill: Drill) -> None:
    """Raises RefusedError where a track would be too long."""
    keys = 1 if drill.tracks == "per key" else len(drill.key_cycle)
    slowest = max(drill.tempos, key=lambda tempo: seconds(drill, keys, tempo))
    minutes = round(seconds(drill, keys, slowest) / 60)
    if minutes <= LONGEST * 60:
        return
    took = f"{minutes // 60} h {minutes % 60:02d} min"
    cures = {
        "passes": ("fewer passes", drill.passes > 1),
        "key_cycle": ("fewer keys, tracks: per key", keys > 1),
        "gaps": ("shorter responses", bool(drill.gaps and drill.gaps.harmony == "repeats")),
    }
    helps = {key: words for key, (words, does) in cures.items() if does}
    written = (key for key in helps if key in drill.model_fields_set)
    raise refuse(
        f"a track at {slowest} would take {took} (passes: {drill.passes}, keys: {keys})",
        f"up to {LONGEST} hours a track: {listed(helps.values())}",
        at=(next(written, "progression"),),
    )


_DEFAULT_TITLE = 60
_OCTAVE = 12  # semitones: the least range of a line


class CountIn(Model):
    """The bars before the first."""

    bars: Annotated[int, whole(0, 8, "bars")] = 2
    """How many bars are counted."""
    sound: Annotated[Literal["sticks", "click", "hat"], WORD] = "sticks"
    """What counts."""
    starting_note: Annotated[bool, YES_NO] = False
    """Sound the line's first note before the count."""


def _count(value: Any) -> Any:
    """`2` is short for `{bars: 2}`; off for none."""
    return {"bars": 0} if is_off(value) else short("bars")(value)


_KEY_CHANGE = choice("note", "V7", "ii V", "none")


def _key_change(value: Any) -> str:
    """Read 'note', 'V7', 'ii V'; 'ii-V' and 'ii7 V7' mean the same as the last."""
    text = " ".join(str(value).replace("-", " ").replace("–", " ").split())
    if is_off(value):
        return "none"
    written = "ii V" if text in ("ii V", "ii7 V7", "ii V7") else text if text == "V" else value
    found: str = _KEY_CHANGE.function("V7" if written == "V" else written)
    return found


_ENDING = choice("hold", "tag", "iii VI ii V", "home", "none", off=False)


def _ending(value: Any) -> str:
    """Read 'hold', 'tag', 'iii VI ii V'; with hyphens it means the same."""
    text = value.replace("-", " ").replace("–", " ") if isinstance(value, str) else value
    found: str = _ENDING.function(text)
    return found


ENDING = Read(_ending, {**_ENDING.schema, "default": "hold"})
KEY_CHANGE = Read(_key_change, {"enum": ["note", "V7", "ii V", "ii-V", *OFF], "default": "none"})
FEEL = Read(check_feel, {"enum": [*playable_feels(), *ALIASES]})


def _meter(value: Any, data: dict[str, Any]) -> Meter:
    """A meter that the feel (where it could be read) is played in."""
    if isinstance(value, Meter):
        return value
    text = known(value, "meter", METERS)
    played = meters(data["feel"]) if "feel" in data else METERS
    if text not in played:
        raise refuse(f"{data['feel']} has no player in {text} yet", listed(played))
    return METERS[text]


def _default_meter(data: dict[str, Any]) -> Meter:
    """4/4, or the feel's own meter where it is never played in four."""
    played = meters(data.get("feel", "swing"))
    return METERS["4/4" if "4/4" in played else played[0]]


METER = ReadWith(_meter, {"enum": [*METERS], "default": "4/4"})


def _keys_apart(tracks: str, info: ValidationInfo) -> str:
    """`per key` makes a file for each key, so a key may stand there only once."""
    keys = info.data.get("key_cycle", ())
    if tracks == "per key" and len(set(keys)) < len(keys):
        raise refuse("a key stands twice in key_cycle", "together, or each key once")
    return tracks


def _title(data: dict[str, Any]) -> str:
    # Older pydantic asks for defaults even where the progression could not be read.
    written: str = data["progression"].text if "progression" in data else ""
    return written if len(written) <= _DEFAULT_TITLE else written[: _DEFAULT_TITLE - 1] + "…"


def _with_hands(sheet: SheetSpec, info: ValidationInfo) -> SheetSpec:
    """With fingerings where positions are named and nothing else is said of them."""
    if info.data.get("positions") is None or "fingering" in sheet.model_fields_set:
        return sheet
    return sheet.model_copy(update={"fingering": Fingering()})


def _in_positions(line: Line | None, info: ValidationInfo) -> Line | None:
    """The line in the range of the positions that are named; as it is where it cannot be there,
    which the drill as a whole says."""
    positions, sheet = info.data.get("positions"), info.data.get("sheet")
    if line is None or positions is None or sheet is None:
        return line
    try:
        return line.model_copy(update={"range": _compass(line, positions, sheet)})
    except RefusedError:
        return line


def _compass(line: Line, positions: Positions, sheet: SheetSpec) -> Range:
    """What of a line's range lies in some positions.  Raises RefusedError where nobody plays it
    with such a hand, or less than an octave is left."""
    instrument = sheet.instrument or line.instrument
    if instrument not in BASSES:
        raise refuse(
            f"positions are for {' and '.join(BASSES)}, and the line is read by {instrument}",
            "sheet: {instrument: upright}",
        )
    low, high = positions.compass(instrument, open_strings(sheet.fingering))
    asked = line.sounding_range
    both = max(low, asked[0]), min(high, asked[1])
    if both[1] - both[0] < _OCTAVE:
        raise refuse(
            f"only from {_pitch(low)} to {_pitch(high)} every note lies there, and no octave of "
            f"that is in the line's range ({_pitch(asked[0])} to {_pitch(asked[1])})",
            "more positions (half to III), or another range",
        )
    return Range(*map(_pitch, both))


def _pitch(midi: int) -> Pitch:
    return Pitch.near(Name(midi * 7 % 12).simplest, midi)


def _check_bars(drill: Drill, bars: BarRange) -> None:
    """Raises RefusedError where a track has no such bars, or they lie in two keys."""
    keys = 1 if drill.tracks == "per key" else len(drill.key_cycle)
    each, led = _bars_a_key(drill), drill.key_change != "none"
    total = keys * each - led
    if bars.last > total:
        raise refuse(f"the track has {total} bars before its ending", f"1 to {total}")
    key = (bars.first - 1) // each
    if (bars.last - 1) // each != key:
        first, then = key * each + 1, (key + 1) * each + 1
        allowed = f"{first}-{then - 1 - led}, or {then}-{then + each - 1 - led}"
        raise refuse(f"bars {bars} lie in two keys", f"bars of one: {allowed}")


def _bars_a_key(drill: Drill) -> int:
    """With the one that leads to the next."""
    return _bars_a_pass(drill) * drill.passes + (drill.key_change != "none")


def key_of_bars(drill: Drill, bars: BarRange) -> Key:
    """The key in which some bars of a track lie."""
    return drill.key_cycle[(bars.first - 1) // _bars_a_key(drill) % len(drill.key_cycle)]


class Drill(Model):
    """One exercise."""

    seed: Annotated[int, whole(0, 2**31 - 1)] = 1
    """Every random choice follows from it: the same seed gives the same music."""
    key: Annotated[Key, KEY] = C_MAJOR
    """The key in which chord symbols are written, and where the cycle starts."""
    feel: Annotated[str, FEEL] = "swing"
    """How time is played."""
    meter: Annotated[Meter, METER] = Field(default_factory=_default_meter)
    """Beats in a bar."""
    progression: Annotated[Progression, PROGRESSION]
    """The chords, bar by bar."""
    title: Annotated[str, TITLE] = Field(default_factory=_title)
    """What the drill is called."""
    note: Annotated[str, NOTE] = ""
    """A sentence for the student."""
    key_cycle: Annotated[tuple[Key, ...], KEY_CYCLE] = Field(default_factory=default_cycle)
    """The keys, in order."""
    key_change: Annotated[Literal["none", "note", "V7", "ii V"], KEY_CHANGE] = "none"
    """A bar before each new key: its starting note alone, or with its V7, or with its ii and V."""
    passes: Annotated[int, whole(1, 100, "passes")] = 1
    """How often the progression is played in each key; no track may last more than 3 hours."""
    tempos: Annotated[tuple[Tempo, ...], TEMPO] = Field(
        default=(Tempo(80.0, 0.0, 80.0),), alias="tempo"
    )
    """Beats a minute; a list makes a track of each."""
    count_in: Annotated[
        CountIn,
        Short(
            _count,
            (whole(0, 8).schema, {"enum": [*OFF]}),
        ),
    ] = CountIn()
    """What is counted before the first bar."""
    swing: Annotated[float | None, number(1, 4)] = None
    """The first eighth's length against the second's; by default it follows the tempo."""
    band: Annotated[Band, BAND, AfterValidator(in_feel)] = Band()
    """Who plays with the student."""
    sounds: Annotated[AskedSounds, SOUNDS_READ] = AskedSounds()
    """Which soundfont plays an instrument, by its name in `drillgen soundfonts`, or own; by default
    the one that measures best."""
    audio: Annotated[Audio, AUDIO] = Audio()
    """How the sound is written: format, other mixes, loudness."""
    positions: Annotated[Positions | None, POSITIONS_READ] = None
    """Where a bass player's left hand may be, for the line and its fingering: first, half to III,
    on an electric bass 1 to 5."""
    sheet: Annotated[SheetSpec, SHEET, AfterValidator(_with_hands)] = Field(
        default=SheetSpec(), validate_default=True
    )
    """What is printed."""
    line: Annotated[
        AnyLine | None, LINE, AfterValidator(in_meter), AfterValidator(_in_positions)
    ] = Field(default=GuideTones(), validate_default=True)
    """The melody to learn."""
    gaps: Annotated[Gaps | None, GAPS] = Field(
        default_factory=lambda data: Gaps() if data.get("line") else None
    )
    """Call and response; none where the line is off."""
    drop_outs: Annotated[DropOuts | None, DROP_OUTS] = None
    """Bars in which the band is silent while time goes on."""
    ending: Annotated[Literal["hold", "tag", "iii VI ii V", "home", "none"], ENDING] = "hold"
    """How a track ends: on a held chord, on one after the last four bars once more or after iii VI
    ii V twice, on one after a last pass whose turnaround gives way to I, or not at all (for
    loops)."""
    timing: Annotated[Literal["loose", "tight", "exact"], WORD] = "loose"
    """Played as a band plays, half as freely, or everything exactly where it is written (swing
    stays)."""
    bars: Annotated[BarRange | None, BAR_RANGE] = None
    """Bars taken out of the track, as `check` counts them, with the same notes and fingering."""
    repeat: Annotated[int, whole(1, 100, "times")] = 1
    """How often the bars that were taken out are played."""
    tracks: Annotated[Literal["together", "per key"], WORD, AfterValidator(_keys_apart)] = (
        "together"
    )
    """All keys in one track, or a track each."""

    @property
    def heard(self) -> Drill:
        """Itself as far as it is heard: without its sheet, but for the hand that limits a line."""
        return self if self.positions else self.model_copy(update={"sheet": SheetSpec()})

    @property
    def keys_played(self) -> tuple[Key, ...]:
        """Those of all its tracks: bars that are taken out of one lie in a single key."""
        one = self.bars is not None and self.tracks == "together"
        return (key_of_bars(self, self.bars),) if self.bars and one else self.key_cycle

    @property
    def luck(self) -> str:
        """What the band's choices follow from: with one seed, drills of a lesson still differ."""
        return f"{self.seed} {self.title}"

    @model_validator(mode="after")
    def _somebody_answers(self) -> Drill:
        played = self.progression.form * (self.passes - 1)
        played += len(self.progression.played(last=True))
        gaps = self.gaps
        if gaps and gaps.harmony == "continues" and played <= gaps.call:
            raise refuse(
                f"call and response trade through {played} bars, and the call takes "
                f"{gaps.call}: nobody would answer",
                f"call: 1 to {played - 1}, more passes, or harmony: repeats"
                if played > 1
                else "more passes, or harmony: repeats",
                at=("gaps", "call"),
            )
        return self

    @model_validator(mode="after")
    def _hands_hold_the_line(self) -> Drill:
        if self.line and self.positions:
            with under("positions"):
                _compass(self.line, self.positions, self.sheet)
        return self

    @model_validator(mode="after")
    def _line_fits_gaps(self) -> Drill:
        if self.line:
            gaps = self.gaps
            self.line.check_gaps(*((gaps.call, gaps.response) if gaps else (None, None)))
        return self

    @model_validator(mode="after")
    def _has_the_bars(self) -> Drill:
        if self.bars is not None:
            with under("bars"):
                _check_bars(self, self.bars)
        elif self.repeat > 1:
            message = "`repeat` repeats the bars that `bars` takes out"
            raise refuse(message, "bars: 5-6 beside it; passes: for all", at=("repeat",))
        return self

    @model_validator(mode="after")
    def _ends_in_time(self) -> Drill:
        check_length(self)
        return self

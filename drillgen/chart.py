"""The chart: a drill laid out in bars, one chart a track.

Times are in quarter notes from the start of the track (`Fraction`, exact) and in seconds.  A tempo
counts the meter's beats: quarter notes, or dotted quarters in 6/8 and 12/8.  Seconds come from an
exact sum, so that the last bar of an hour stands where the tempo puts it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby
from typing import Literal

from quicktions import Fraction

from drillgen.drill.band import Gaps, feel_file
from drillgen.drill.bars import BarRange, Tempo, exact
from drillgen.drill.models import Drill
from drillgen.drill.progression import Slot
from drillgen.theory.chords import Chord, Numeral, as_written, parse_numeral, relieved
from drillgen.theory.pitch import Key, Mode, Name

Role = Literal["count-in", "call", "response", "play", "ending"]
ENDING_BARS = 2  # the last chord rings for this long
_RING = 1.5  # seconds after the last bar for the final chord to die away
# A ritardando: in how many bars it is made, and how its tempo falls, as that of runners who stop:
# v(x) = (1 + (w^q - 1) x)^(1/q), x from 0 to 1, w the last tempo against the first, q = 3
# (Friberg & Sundberg, JASA 105:1469, 1999, from memory).
_SLOWING, _BRAKING = 2, 3
_EXACT = 10_000  # a tempo's largest denominator
TAG_BARS = 4  # the end of the form, played once more before it


@dataclass(frozen=True)
class Span:
    """One chord and how long it lasts; `chord` is None for N.C."""

    start: Fraction  # quarter notes from the track's start
    duration: Fraction  # quarter notes
    chord: Chord | None
    leads_to: Chord | None = None  # the form's next chord on another root; None before N.C.
    # Its root as the key has it; players may write another: E for the Fb of Gb.
    meant: Name | None = None

    @cached_property
    def end(self) -> Fraction:
        return self.start + self.duration


@dataclass(frozen=True)
class Bar:
    """One bar of a track."""

    number: int  # from 0, the count-in included
    start: Fraction  # quarter notes from the track's start
    length: Fraction  # quarter notes
    tempo: Fraction  # beats of the meter a minute
    key: Key
    role: Role
    spans: tuple[Span, ...] = ()
    key_number: int = 0  # which key of the track, from 0
    pass_number: int = 0  # from 1 through the whole track; 0 in the count-in
    form_bar: int = -1  # which bar of the progression; -1 outside it
    section: str = ""
    starts_section: bool = False
    ending: int = 0  # of its section: the first, the second …; 0: it stands in none
    tag: bool = False  # the form's last bars once more, after the last pass
    change: bool = False  # it leads to the next key, between two keys
    slowing: tuple[Fraction, ...] = ()  # each beat's tempo where they differ; `tempo` is their mean

    @cached_property
    def end(self) -> Fraction:
        return self.start + self.length

    def span_at(self, place: Fraction) -> Span | None:
        """The chord that stands at a place (quarter notes from the track's start)."""
        return next((span for span in self.spans if span.start <= place < span.end), None)


@dataclass(frozen=True)
class Chart:
    """One track of a drill, bar by bar."""

    drill: Drill
    keys: tuple[Key, ...]
    tempo: Tempo
    bars: tuple[Bar, ...]
    whole: Chart | None = None  # the chart that its bars were taken out of

    @property
    def taken_from(self) -> Fraction:
        """Where its bars begin in the whole chart, in quarter notes from that one's start."""
        assert self.whole is not None and self.drill.bars is not None
        return self.whole.counted(self.drill.bars.first).start

    def counted(self, number: int) -> Bar:
        """A bar by its number for people: 1 is the first after the count-in."""
        first = next(bar.number for bar in self.bars if bar.role != "count-in")
        return self.bars[first + number - 1]

    @property
    def end(self) -> Fraction:
        """The end of the last bar, in quarter notes."""
        return self.bars[-1].end

    @property
    def seconds(self) -> float:
        """The end of the last bar, in seconds."""
        return self.seconds_at(self.end)

    @property
    def lasts(self) -> float:
        """The track's length in seconds, in whose last ones a final chord dies away."""
        return self.seconds + (0.0 if self.drill.ending == "none" else _RING)

    def seconds_at(self, quarters: Fraction) -> float:
        """Seconds from the start of the track to a place in it; outside it, the tempo goes on."""
        bar = self.bar_at(quarters)
        return float(self.bar_seconds[bar.number] + self.seconds_into(bar, quarters - bar.start))

    def seconds_into(self, bar: Bar, quarters: Fraction) -> Fraction:
        """Seconds from a bar's start to a place so far into it."""
        if not bar.slowing:
            return quarters * self.seconds_a_quarter(bar)
        beat = min(int(quarters // self.drill.meter.beat), len(bar.slowing) - 1)
        gone = sum((60 / tempo for tempo in bar.slowing[:beat]), Fraction(0))
        return gone + (quarters / self.drill.meter.beat - beat) * 60 / bar.slowing[beat]

    def seconds_a_quarter(self, bar: Bar) -> Fraction:
        return Fraction(60) / (bar.tempo * self.drill.meter.beat)

    def stretches(self) -> Iterator[tuple[Fraction, Fraction, Fraction]]:
        """Where each stretch of one tempo begins, in quarter notes and in seconds, and how long a
        quarter note is in it, in seconds: every bar, and every beat of a bar that slows."""
        beat = self.drill.meter.beat
        for bar, seconds in zip(self.bars, self.bar_seconds, strict=False):
            for number, tempo in enumerate(bar.slowing or (bar.tempo,)):
                into = number * beat
                yield bar.start + into, seconds + self.seconds_into(bar, into), 60 / (tempo * beat)

    def bar_at(self, quarters: Fraction) -> Bar:
        """The bar of a place, or the nearest one outside the track; all bars are equally long."""
        above, below = quarters.as_integer_ratio()
        length, unit = self._bar_length
        index = above * unit // (below * length)
        return self.bars[min(max(index, 0), len(self.bars) - 1)]

    @cached_property
    def _bar_length(self) -> tuple[int, int]:
        return self.bars[0].length.as_integer_ratio()

    @property
    def ending(self) -> tuple[Bar, ...]:
        """The bars of the last, held chord; none where the track just stops."""
        return tuple(bar for bar in self.bars if bar.role == "ending")

    def passes(self) -> Iterator[tuple[Bar, ...]]:
        """The bars of each pass in turn, a tag last, and what leads to another key by itself;
        count-in and ending left out."""
        played = (bar for bar in self.bars if bar.form_bar >= 0)
        for _, bars in groupby(played, key=lambda bar: (bar.pass_number, bar.tag, bar.change)):
            yield tuple(bars)

    def drops_out(self, bar: Bar) -> bool:
        """Whether the whole band, its click included, is silent to test the student's own time.

        From the first bar after the count-in on, `every` bars are counted over and over through the
        track, and of each the last `bars` stay empty, so that the band comes back where a phrase
        begins.  The line, a tag and the ending are played all the same.
        """
        empty = self.drill.drop_outs
        if empty is None or bar.form_bar < 0 or bar.tag or bar.change:
            return False
        return (bar.number - self._first_played) % empty.every >= empty.every - empty.bars

    @cached_property
    def _first_played(self) -> int:
        return next(each.number for each in self.bars if each.form_bar >= 0)

    @cached_property
    def bar_seconds(self) -> tuple[Fraction, ...]:
        """Each bar's start in seconds, exactly."""
        sums = [Fraction(0)]
        for bar in self.bars:
            sums.append(sums[-1] + bar.length * self.seconds_a_quarter(bar))
        return tuple(sums)


def charts(drill: Drill) -> tuple[Chart, ...]:
    """A chart for each track: each tempo, and each key where tracks are split by key."""
    splits = [drill.key_cycle] if drill.tracks == "together" else [(k,) for k in drill.key_cycle]
    return tuple(_chart(drill, keys, tempo) for tempo in drill.tempos for keys in splits)


def _chart(drill: Drill, keys: tuple[Key, ...], tempo: Tempo) -> Chart:
    bars = _placed(_bars(drill, keys), tempo)
    whole = Chart(drill, keys, tempo, tuple(_slowed(drill, bars)))
    return whole if drill.bars is None else _taken_out(whole, drill.bars)


def _taken_out(whole: Chart, wanted: BarRange) -> Chart:
    """Some bars of a track after its count-in, again and again, each time as a pass."""
    drill = whole.drill
    count_in = [bar for bar in whole.bars if bar.role == "count-in"]
    first, last = (whole.counted(number) for number in (wanted.first, wanted.last))
    bars = [
        replace(
            bar,
            pass_number=number,
            key_number=0,
            spans=tuple(replace(span, start=span.start - bar.start) for span in bar.spans),
        )
        for number in range(1, drill.repeat + 1)
        for bar in whole.bars[first.number : last.number + 1]
    ]
    looped = drill.model_copy(update={"passes": drill.repeat, "ending": "none"})
    placed = tuple(_placed([*count_in, *bars], whole.tempo))
    return Chart(looped, (first.key,), whole.tempo, placed, whole)


def _placed(each: Iterable[Bar], tempo: Tempo) -> list[Bar]:
    """The bars one after another, each with its tempo; their chords are counted from their own
    starts before."""
    bars: list[Bar] = []
    for bar in each:
        place = bars[-1].end if bars else Fraction(0)
        pace = exact(str(tempo.at(max(bar.pass_number, 1))))
        spans = tuple(replace(span, start=place + span.start) for span in bar.spans)
        bars.append(replace(bar, number=len(bars), start=place, tempo=pace, spans=spans))
    return bars


def _slowed(drill: Drill, bars: list[Bar]) -> Iterator[Bar]:
    """The same bars; where the feel has a ritardando, a tag's last ones slow down beat by beat, and
    the ending stays there.  What is practised in loops keeps its tempo, and so does all that a
    click or drop-outs test."""
    tested = drill.band.click.plays or drill.drop_outs is not None
    share = exact(str(feel_file(drill.feel).get("ritardando", 0)))
    slow = [bar.number for bar in bars if bar.tag][-_SLOWING:] if share and not tested else []
    if not slow:
        yield from bars
        return
    falls = list(_braking(1 - share, len(slow) * drill.meter.beats))
    for bar in bars:
        place = (bar.number - slow[0]) * drill.meter.beats
        own = falls[place : place + drill.meter.beats] if place >= 0 else []
        if own:
            beats = tuple(bar.tempo * fall for fall in own)
            mean = len(beats) / sum((1 / tempo for tempo in beats), Fraction(0))
            yield replace(bar, tempo=mean, slowing=beats)
        else:
            yield replace(bar, tempo=bar.tempo * (1 - share)) if place > 0 else bar


def _braking(last: Fraction, beats: int) -> Iterator[Fraction]:
    """The tempo of each beat of a ritardando against the one before it, down to `last`."""
    for beat in range(1, beats + 1):
        falls = 1 + (float(last) ** _BRAKING - 1) * beat / beats
        yield Fraction(falls ** (1 / _BRAKING)).limit_denominator(_EXACT)


def _bars(drill: Drill, keys: tuple[Key, ...]) -> Iterator[Bar]:
    """The bars in order, each as if it started at 0 and without its tempo."""
    blank = Bar(0, Fraction(0), drill.meter.bar, Fraction(1), keys[0], "count-in")
    lead_in = drill.count_in.bars + (1 if drill.count_in.starting_note else 0)
    yield from (blank for _ in range(lead_in))
    last = blank
    for key_number, key in enumerate(keys):
        if key_number and drill.key_change != "none":
            yield _led(drill, last, key)
        turn = 0  # bars of this key so far: call and response trade across its passes
        for count in range(drill.passes):
            number = key_number * drill.passes + count + 1
            played = drill.progression.played(last=count == drill.passes - 1)
            for form_bar, role in _order(drill, played, turn):
                last = _form_bar(
                    drill,
                    replace(blank, key=key, role=role, key_number=key_number, pass_number=number),
                    form_bar,
                )
                if drill.ending == "home" and number == len(keys) * drill.passes:
                    last = _brought_home(drill, last)
                yield last
            turn += len(played)
    if drill.ending in ("tag", "iii VI ii V"):
        tag = tuple(_tag(drill, last))
        yield from tag
        last = tag[-1]
    if drill.ending != "none":
        yield from _held(drill, last)


# What leads to a new key: a starting note alone, its dominant, or the two chords before its tonic.
_LEADS: dict[str, dict[Mode, tuple[str, ...]]] = {
    "note": {"major": (), "minor": ()},
    "V7": {"major": ("V7",), "minor": ("V7b9",)},
    "ii V": {"major": ("ii7", "V7"), "minor": ("iiø7", "V7b9")},
}


def _led(drill: Drill, last: Bar, key: Key) -> Bar:
    """The bar between two keys."""
    spans = _shared(drill, key, _LEADS[drill.key_change][key.mode])
    return replace(
        last,
        key=key,
        role="play",
        spans=spans,
        section="",
        starts_section=False,
        ending=0,
        change=True,
    )


def _shared(drill: Drill, key: Key, numerals: tuple[str, ...]) -> tuple[Span, ...]:
    """A bar of one chord, or of two that share it by beats, the first the longer; N.C. of none."""
    meter = drill.meter
    first = -(-meter.beats // 2) * meter.beat if len(numerals) > 1 else meter.bar
    places = ((Fraction(0), first), (first, meter.bar - first))
    chords = [parse_numeral(text).in_key(key) for text in numerals]
    spans = (
        Span(*place, as_written(chord, key), meant=chord.root)
        for place, chord in zip(places, chords, strict=False)
    )
    return tuple(spans) or (Span(Fraction(0), meter.bar, None),)


_LAST_BARS = 4  # of the form, in which a turnaround is looked for


def _brought_home(drill: Drill, bar: Bar) -> Bar:
    """The last time, the form's last tonic chord stays instead of the turnaround after it."""
    bars = drill.progression.bars
    last = drill.progression.played(last=True)[-_LAST_BARS:]
    near = [(index, slot) for index in last for slot in bars[index].slots]
    chords = [(index, slot, sounding(slot, drill.key, bar.key)) for index, slot in near]
    homes = [each for each in chords if each[2] and each[2].root == bar.key.tonic]
    if not homes or bar.form_bar < homes[-1][0]:
        return bar
    index, slot, chord = homes[-1]
    if bar.form_bar > index:
        return replace(bar, spans=(Span(Fraction(0), bar.length, chord),))
    kept = [span for span in bar.spans if span.start < slot.start]
    return replace(bar, spans=(*kept, Span(slot.start, bar.length - slot.start, chord)))


def _tag(drill: Drill, last: Bar) -> Iterator[Bar]:
    """The last bars of the form in the last key, or a turnaround twice, which the whole band
    plays."""
    played = drill.progression.played(last=True)
    bar = replace(last, role="play", tag=True)
    if drill.ending == "tag":
        for form_bar in played[-TAG_BARS:]:
            yield replace(_form_bar(drill, bar, form_bar), starts_section=False, ending=0)
        return
    for index in range(TAG_BARS):
        numerals = _TURNAROUND[last.key.mode][index % 2]
        spans = _shared(drill, last.key, numerals)
        place = played[max(index - TAG_BARS, -len(played))]
        yield replace(bar, spans=spans, form_bar=place, section="", starts_section=False, ending=0)


# Common practice: iii VI ii V twice, then I.
_TURNAROUND: dict[Mode, tuple[tuple[str, str], ...]] = {
    "major": (("iii7", "VI7"), ("ii7", "V7")),
    "minor": (("iiiø7", "VI7b9"), ("iiø7", "V7b9")),
}


def _held(drill: Drill, last: Bar) -> Iterator[Bar]:
    span = Span(Fraction(0), drill.meter.bar, _final_chord(drill, last))
    for number in range(ENDING_BARS):
        yield replace(
            last,
            role="ending",
            spans=(span,),
            form_bar=-1,
            section="",
            starts_section=number == 0,
            ending=0,
            tag=False,
        )


def _order(drill: Drill, played: Sequence[int], turn: int) -> Iterator[tuple[int, Role]]:
    """In which role each bar of the progression is played, of those that one pass plays.

    `repeats`: each call is followed by a response over the same bars again; `continues`: the form
    goes on and call and response trade, across the passes of one key (as in trading fours).
    """
    gaps = drill.gaps
    if gaps is None:
        yield from ((bar, "play") for bar in played)
    elif gaps.harmony == "continues":
        for number, bar in enumerate(played, turn):
            called = number % (gaps.call + gaps.response) < gaps.call
            yield bar, "call" if called else "response"
    else:
        yield from _repeated(played, gaps)


def _repeated(played: Sequence[int], gaps: Gaps) -> Iterator[tuple[int, Role]]:
    for first in range(0, len(played), gaps.call):
        called = played[first : first + gaps.call]
        # A call that the form cuts short is answered in as many bars.
        answered = gaps.response if len(called) == gaps.call else min(gaps.response, len(called))
        yield from ((bar, "call") for bar in called)
        yield from ((called[step % len(called)], "response") for step in range(answered))


def _form_bar(drill: Drill, bar: Bar, index: int) -> Bar:
    text = drill.progression.bars[index]
    return replace(
        bar,
        form_bar=index,
        spans=_spans(drill, index, bar),
        section=text.section,
        starts_section=text.starts_section or index == 0,
        ending=text.ending,
    )


def _spans(drill: Drill, index: int, bar: Bar) -> tuple[Span, ...]:
    last = bar.pass_number % drill.passes == 0
    played = drill.progression.played(last=last)
    place = played.index(index)
    onwards = (*played[place:], *played[:place])
    slots = drill.progression.bars[index].slots
    meant = [_in_key(slot, drill.key, bar.key) for slot in slots]
    return tuple(
        Span(
            slot.start,
            slot.duration,
            _as_played(chord, slot, drill.key, bar.key),
            _leads_to(drill, onwards, number, bar.key),
            chord.root if chord else None,
        )
        for number, (slot, chord) in enumerate(zip(slots, meant, strict=True))
    )


def _leads_to(drill: Drill, bars: Sequence[int], number: int, key: Key) -> Chord | None:
    """The next chord on another root than that of a slot of the first of these bars; after the last
    one the form begins again in its key, so that every pass in every key is the same exercise."""
    slots = [slot for bar in bars for slot in drill.progression.bars[bar].slots]
    own = sounding(slots[number], drill.key, key)
    for slot in slots[number + 1 :] + slots[:number]:
        chord = sounding(slot, drill.key, key)
        if chord is None or own is None:
            return None
        if chord.root.pitch_class != own.root.pitch_class:
            return chord
    return None


def sounding(slot: Slot, written_in: Key, key: Key) -> Chord | None:
    """The chord of a slot in a key of the cycle: numerals are read in it, symbols transposed.

    In the key that it was written in a symbol stays as it is, but for double accidentals (one in
    its root, or two in its tones).
    """
    return _as_played(_in_key(slot, written_in, key), slot, written_in, key)


def _as_played(chord: Chord | None, slot: Slot, written_in: Key, key: Key) -> Chord | None:
    if chord is None or isinstance(slot.symbol, Numeral):
        return chord and as_written(chord, key)
    asked = key == written_in and abs(chord.root.alter) < 2
    return relieved(chord) if asked else as_written(chord, key)


def _in_key(slot: Slot, written_in: Key, key: Key) -> Chord | None:
    """The chord of a slot as the key has it, whatever players write for it."""
    if slot.symbol is None:
        return None
    if isinstance(slot.symbol, Numeral):
        return slot.symbol.in_key(key)
    return slot.symbol.transposed(key.tonic.fifths - written_in.tonic.fifths)


def _final_chord(drill: Drill, last: Bar) -> Chord:
    """The chord to end on: the form's own tonic chord, on its root (common practice: an inversion
    does not close), else the key's plain sixth chord."""
    first = sounding(drill.progression.bars[0].slots[0], drill.key, last.key)
    ending = last.spans[-1].chord if last.spans else None
    for chord in (ending, first):
        if chord is not None and chord.root == last.key.tonic:
            return replace(chord, bass=None)
    return parse_numeral("i6" if last.key.mode == "minor" else "I6").in_key(last.key)

"""Drums, and what the drummer goes by: the form, and the others.

The form is marked, and built up over its choruses; the comping's strokes and the line's rests are
answered; layers go on bar by bar, and fills lead into what comes next.

A fill never falls into a call: it leads from the last bar of a response, or from a bar of play
throughout, to the top of the form or into a section (common practice, and the student must hear the
call undisturbed); the form's marks say where these are.  No two passes of a track are played alike,
and of 32 bars at least 24 are different: measured drummers have 31 (21 to 32 in the Groove MIDI
Dataset, drummers alone).  A comment falls on a stroke of the comping about every other time, seldom
on a note of the line, and comes more readily where the line rests.
"""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from random import Random

from quicktions import Fraction

from drillgen.band.feel import (
    KEYS,
    DrumBook,
    Fill,
    Layer,
    PatternStroke,
    bar_of,
    bars_of,
    counted,
    drawn,
    feel,
    goes_on,
    last_strokes,
    remembering,
    strokes,
)
from drillgen.chart import Bar, Chart
from drillgen.score import Hit, Note, Part, after, plays, starts_pass

# A light crash at the form's top, a lighter stroke where a section begins, a fill into either.
#
# Common practice: the top of a form is the one place for a crash, and a new section is led into and
# begun with a stroke on the bell of the ride or another stroke that is not the usual one. A form of
# a few bars that goes round and round is felt in phrases of eight: with a crash at every pass it
# would be nothing but crashes.

_CRASHES = 8  # bars from one to the next, at least
_STROKES = 4  # bars from any mark to a lighter one, at least


@dataclass(frozen=True, slots=True)
class FormMarks:
    """Numbers of bars."""

    tops: frozenset[int]  # which a light crash opens
    sections: frozenset[int]  # which a lighter stroke opens

    def leads(self, chart: Chart, bar: Bar) -> bool:
        """Whether a bar leads to the top of the form, into the ending or to the track's end."""
        following = after(chart, bar)
        return following is None or following.form_bar < 0 or following.number in self.tops

    def leads_to_section(self, bar: Bar) -> bool:
        return bar.number + 1 in self.sections


def marks(chart: Chart) -> FormMarks:
    """Where the form begins and where its sections do."""
    tops: list[int] = []
    sections: list[int] = []
    for bar in _begun(chart):
        last = max([*tops[-1:], *sections[-1:]], default=None)
        if starts_pass(chart, bar) and (not tops or bar.number - tops[-1] >= _CRASHES):
            tops.append(bar.number)
        elif last is None or bar.number - last >= _STROKES:
            sections.append(bar.number)
    return FormMarks(frozenset(tops), frozenset(sections))


def _begun(chart: Chart) -> Iterator[Bar]:
    """Bars in which a pass, a section or the tag begins; not where a response repeats its call."""
    gaps = chart.drill.gaps
    repeats = gaps is not None and gaps.harmony == "repeats"
    tagged = False
    for bar in chart.bars:
        if bar.form_bar < 0 or (repeats and bar.role == "response"):
            continue
        if bar.starts_section or starts_pass(chart, bar) or bar.tag > tagged:
            yield bar
        tagged = bar.tag


# Each chorus a little stronger than the one before, the last bars strongest (common practice).

_ARC = (-2.0, 0.0, 1.0, 2.0)  # dB, from the first chorus to the last
_LAST_BARS, _LIFT = 8, 1.0  # … and of how many bars at the end how much more
_CHORUS = 16  # bars, at least: a short form goes round several times to one


def arc(chart: Chart) -> dict[int, float]:
    """By number of bar of the form, how much louder than usual the drums are, dB."""
    bars = [bar for bar in chart.bars if bar.form_bar >= 0]
    choruses = max(len(bars) // max(_CHORUS, chart.drill.progression.form), 1)
    long = len(bars) / choruses
    found = {}
    for number, bar in enumerate(bars):
        at = int(number / long) / max(choruses - 1, 1) * (len(_ARC) - 1)
        below = min(int(at), len(_ARC) - 2)
        rise = _ARC[below] + (at - below) * (_ARC[below + 1] - _ARC[below])
        last = _LIFT if number >= len(bars) - _LAST_BARS else 0.0
        found[bar.number] = (rise if choruses > 1 else 0.0) + last
    return found


# How readily a drummer comments, by what the line does in a bar (common practice: one answers).
_FREE, _OPEN, _BUSY = 1.25, 1.0, 0.65
_MANY = Fraction(5, 4)  # notes a beat: from here on a line is busy

Places = tuple[Fraction, ...]


@dataclass(frozen=True, slots=True)
class Hearing:
    """By number of the bar, where others begin notes: quarter notes from the barline."""

    beat: Fraction
    chords: Mapping[int, Places]
    line: Mapping[int, Places] | None  # None: there is no line

    @classmethod
    def of(cls, chart: Chart, chords: Part | None, line: Part | None) -> Hearing:
        return cls(
            chart.drill.meter.beat,
            _places(chart, chords.notes if chords else ()),
            _places(chart, line.notes) if line else None,
        )

    def pushes(self, bar: Bar) -> Places:
        """Strokes of the comping off the beat."""
        return tuple(place for place in self.chords.get(bar.number, ()) if place % self.beat)

    def with_chords(self, bar: Bar, place: Fraction) -> bool:
        return place in self.chords.get(bar.number, ())

    def with_line(self, bar: Bar, place: Fraction) -> bool:
        return self.line is not None and place in self.line.get(bar.number, ())

    def room(self, bar: Bar) -> float:
        """How much room for comments a bar leaves: 1 where the line is neither silent nor busy."""
        if self.line is None:
            return _OPEN
        notes = len(self.line.get(bar.number, ()))
        if not notes:
            return _FREE
        return _BUSY if notes * self.beat >= _MANY * bar.length else _OPEN


def _places(chart: Chart, notes: Iterable[Note]) -> dict[int, Places]:
    found: dict[int, list[Fraction]] = defaultdict(list)
    for note in notes:
        bar = chart.bar_at(note.start)
        place = note.start - bar.start
        if not found[bar.number] or found[bar.number][-1] != place:
            found[bar.number].append(place)
    return {number: tuple(places) for number, places in found.items()}


_FOOT = ("pedal hi-hat", "bass drum")  # the feet go on under a fill
_TIME = ("ride cymbal", "closed hi-hat", "brush tap")  # the hand that moves to the opening cymbal
_CRASH = "crash cymbal"
_LOUD = ("low tom", "high tom", _CRASH)  # never in a call
_STROKE = Fraction(1, 4)  # quarter notes; drums ring by themselves

# How often a section gets a fill, or a shorter set-up; and the inner end of four bars a set-up.
_FILL_AT_SECTION, _SETUP_AT_SECTION, _SETUP_WITHIN = 0.35, 0.45, 0.3
_CRASH_AFTER, _SOFTER_CRASH = 0.35, -3.0  # a section that was led into may begin with a crash; dB
_PHRASE = 4  # bars for which a layer that comes and goes is played, or not

# Comments: how often they are the comping's own strokes, how much more a pattern is drawn for each
# of its strokes that falls on one, and how much less for each on a note of the line.
_TIED, _WITH_CHORDS, _WITH_LINE = 0.4, 2.0, 0.6
_MOST_TIED = 2  # strokes
_LIVELIER = 0.12  # comments a dB of the arc
# Standard deviations, dB: from comment to comment, and from stroke to stroke within one.
_FREEDOM = {"snare": (6.5, 8.5), "brush slap": (2.5, 2.5), "low tom": (2.5, 2.0)}
_ANY_FREEDOM = (1.5, 1.5)
_EXTREME = 2.0  # standard deviations

_TRIES = 12  # to play a pass unlike every pass before it
_BAR_TRIES = 10  # to play a bar that was not played too often
_WINDOW = 31  # bars before this one …
_MOST_AGAIN, _MOST_ALIKE = 2, 6  # … in which it may stand so often, and so many may be alike

Shape = frozenset[tuple[Fraction, int]]


@dataclass(slots=True)
class _Drummer:
    """The drummer through one track, and what he remembers of it."""

    chart: Chart
    book: DrumBook
    marks: FormMarks
    arc: dict[int, float]
    heard: Hearing
    random: Random
    last: dict[int, str] = field(default_factory=dict)  # by layer, what was played last
    phrases: dict[tuple[int, int], bool] = field(default_factory=dict)  # by layer and phrase
    fill: Fill | None = None
    led: int = -1  # the number of the bar that a fill or set-up was last played in
    window: deque[Shape] = field(default_factory=lambda: deque(maxlen=_WINDOW))


def drums(chart: Chart, chords: Part | None = None, line: Part | None = None) -> Part | None:
    """The drum part of a track, with an ear for comping and line; None where the drummer is off."""
    tools = chart.drill.band.drums.kind
    if tools == "off":
        return None
    book = feel(chart.drill.feel, chart.drill.meter).drums[tools]
    heard, random = Hearing.of(chart, chords, line), Random(f"{chart.drill.luck} drums")
    drummer = _Drummer(chart, book, marks(chart), arc(chart), heard, random)
    hits = [*_passes(drummer), *_ending(drummer)]
    return Part(
        "drums", f"{book.kit} kit", hits=tuple(sorted(hits, key=lambda h: (h.start, h.key)))
    )


def _passes(drummer: _Drummer) -> Iterator[Hit]:
    """Each pass, drawn again where it comes out as one that was played before."""
    known: set[frozenset[tuple[Fraction, int, str]]] = set()
    for bars in drummer.chart.passes():
        before = drummer.window.copy()
        for _ in range(_TRIES):
            drummer.window = before.copy()
            hits = [hit for bar in bars for hit in _bar(drummer, bar)]
            shape = frozenset((hit.start - bars[0].start, hit.key, hit.touch) for hit in hits)
            if shape not in known:
                break
        known.add(shape)
        yield from hits


def _bar(drummer: _Drummer, bar: Bar) -> list[Hit]:
    """A bar, drawn again where it was played too often just before."""
    if not plays(drummer.chart, bar, "drums"):
        return []
    counts = Counter(drummer.window)
    alike = len(drummer.window) - len(counts)
    for number in range(_BAR_TRIES):
        hits = _drawn_bar(drummer, bar, eager=1.0 + 0.5 * number)
        shape = frozenset((hit.start - bar.start, hit.key) for hit in hits)
        again = counts.get(shape, 0)
        if not again or (again <= _MOST_AGAIN and alike < _MOST_ALIKE):
            break
    drummer.window.append(shape)
    louder = drummer.arc.get(bar.number, 0.0)
    return [replace(hit, level=round(hit.level + louder, 2)) for hit in hits]


def _drawn_bar(drummer: _Drummer, bar: Bar, eager: float) -> list[Hit]:
    """`eager`: how much more readily than usual comments are made."""
    gaps, book = drummer.chart.drill.gaps, drummer.book
    timekeeping = bar.role == "response" and gaps is not None and gaps.band == "time"
    free = 0.0 if timekeeping else drummer.chart.drill.band.drums.density * eager
    hits = [
        hit
        for number, layer in enumerate(book.layers)
        if float(bar.tempo) in layer.tempos and _plays_now(drummer, bar, number, layer, free)
        for hit in _layer(drummer, bar, number, layer)
    ]
    if bar.number in drummer.marks.tops:
        hits = _opened(bar, hits, book.opening)
    if bar.number in drummer.marks.sections:
        hits = _opened(bar, hits, _section(drummer, bar))
    fill = None if timekeeping else _leading(drummer, bar)
    if fill is not None:
        hits = _filled(drummer, bar, hits, fill)
    return _once_each(hits)


# Layers and comments.


def _plays_now(drummer: _Drummer, bar: Bar, number: int, layer: Layer, free: float) -> bool:
    """`free`: the density of comments in this bar."""
    if layer.comment:
        if bar.role == "call" and layer.sound in _LOUD:
            return False
        lively = 1 + _LIVELIER * drummer.arc.get(bar.number, 0.0)
        chance = layer.comment * free * lively * drummer.heard.room(bar)
        return drummer.random.random() < chance
    if layer.phrases < 1:
        phrase = (number, bar.number // _PHRASE)
        if phrase not in drummer.phrases:
            drummer.phrases[phrase] = drummer.random.random() < layer.phrases
        return drummer.phrases[phrase]
    return True


def _layer(drummer: _Drummer, bar: Bar, number: int, layer: Layer) -> Iterator[Hit]:
    if layer.comment:
        yield from _comment(drummer, bar, number, layer)
        return
    meter, count, random = drummer.chart.drill.meter, counted(drummer.chart, bar), drummer.random
    pattern = drummer.last.get(number)
    if pattern is None or not goes_on(pattern, count):
        pattern = layer.choices.draw(random, float(bar.tempo), pattern)
        drummer.last[number] = pattern
    found = strokes(bar_of(pattern, count), meter)
    ends = [*(stroke.place for stroke in found[1:]), meter.bar]
    for stroke, end in zip(found, ends, strict=False):
        # A brush's sweep lasts until the next one.
        length = end - stroke.place if stroke.touch == "held" else _STROKE
        yield Hit(bar.start + stroke.place, KEYS[layer.sound], stroke.touch, layer.level, length)
    for stroke, chance in layer.may:
        if random.random() < chance:
            yield Hit(bar.start + stroke.place, KEYS[layer.sound], stroke.touch, layer.level)


def _comment(drummer: _Drummer, bar: Bar, number: int, layer: Layer) -> Iterator[Hit]:
    random = drummer.random
    pushes = drummer.heard.pushes(bar)
    if pushes and random.random() < _TIED:
        found = tuple(PatternStroke(p, "normal") for p in _some(random, pushes))
    else:
        found = _answer(drummer, bar, number, layer)
    across, within = _FREEDOM.get(layer.sound, _ANY_FREEDOM)
    level = layer.level + across * _spread(random)
    for stroke in found:
        own = level + within * _spread(random)
        yield Hit(bar.start + stroke.place, KEYS[layer.sound], stroke.touch, own, _STROKE)


def _some(random: Random, places: tuple[Fraction, ...]) -> tuple[Fraction, ...]:
    """One or two of some places, in order."""
    count = min(random.choice((1, 1, _MOST_TIED)), len(places))
    return tuple(sorted(random.sample(places, count)))


def _answer(drummer: _Drummer, bar: Bar, number: int, layer: Layer) -> tuple[PatternStroke, ...]:
    """A pattern, rather one that goes with the chords and not on the line's notes."""
    meter, count = drummer.chart.drill.meter, counted(drummer.chart, bar)
    weights = {}
    for pattern, weight in layer.choices.at(float(bar.tempo)).items():
        for stroke in strokes(bar_of(pattern, count), meter):
            if drummer.heard.with_chords(bar, stroke.place):
                weight *= _WITH_CHORDS
            elif drummer.heard.with_line(bar, stroke.place):
                weight *= _WITH_LINE
        weights[pattern] = weight
    pattern = drawn(drummer.random, remembering(weights, drummer.last.get(number)))
    drummer.last[number] = pattern
    return strokes(bar_of(pattern, count), meter)


def _spread(random: Random) -> float:
    """Of the normal distribution, without its extremes."""
    return min(max(random.gauss(0.0, 1.0), -_EXTREME), _EXTREME)


def _once_each(hits: list[Hit]) -> list[Hit]:
    """One stroke at a time on one instrument: the loudest."""
    loudest = {(hit.start, hit.key): hit for hit in sorted(hits, key=lambda hit: hit.level)}
    return list(loudest.values())


# Sections, set-ups and fills.


def _section(drummer: _Drummer, bar: Bar) -> tuple[str, float]:
    """The stroke that begins a section: now and then, where it was led into, a crash."""
    led = drummer.led == bar.number - 1 and drummer.chart.drill.band.drums.density > 0
    if led and bar.role != "call" and drummer.random.random() < _CRASH_AFTER:
        sound, level = drummer.book.opening
        return sound, level + _SOFTER_CRASH
    return drummer.book.section


def _opened(bar: Bar, hits: list[Hit], stroke: tuple[str, float]) -> list[Hit]:
    """A light cymbal where form or section begins, in place of the time-keeping hand's stroke; a
    crash is the only one in its bar."""
    sound, level = stroke
    hand = {KEYS[each] for each in (*_TIME, sound)}
    only = KEYS[sound] if sound == _CRASH else None
    kept = [
        hit for hit in hits if hit.key != only and (hit.start > bar.start or hit.key not in hand)
    ]
    return [*kept, Hit(bar.start, KEYS[sound], "normal", level)]


def _leading(drummer: _Drummer, bar: Bar) -> Fill | None:
    """What leads on from a bar: a fill to the form's top and the ending, a fill or a set-up to a
    section, now and then a set-up at the end of four bars; None: nothing."""
    following = after(drummer.chart, bar)
    if bar.role == "call" or (bar.role == "response" and _same_role(bar, following)):
        return None
    if following is not None and not plays(drummer.chart, following, "drums"):
        return None  # a fill leads on, never into silence
    if drummer.marks.leads(drummer.chart, bar):
        return _next_fill(drummer, bar, setup=False)
    drawn = drummer.random.random()
    if drummer.marks.leads_to_section(bar):
        if drawn < _FILL_AT_SECTION + _SETUP_AT_SECTION:
            return _next_fill(drummer, bar, setup=drawn >= _FILL_AT_SECTION)
        return None
    inner = bar.form_bar % _PHRASE == _PHRASE - 1
    within = 2 * _SETUP_WITHIN * drummer.chart.drill.band.drums.density
    return _next_fill(drummer, bar, setup=True) if inner and drawn < within else None


def _same_role(bar: Bar, following: Bar | None) -> bool:
    return following is not None and following.role == bar.role


def _next_fill(drummer: _Drummer, bar: Bar, *, setup: bool) -> Fill:
    """A fill for the tempo, or a set-up where the feel has one; another one than last time."""
    fills = [fill for fill in drummer.book.fills if float(bar.tempo) in fill.tempos]
    fills = [fill for fill in fills if fill.setup == setup] or fills
    others = [fill for fill in fills if fill is not drummer.fill]
    drummer.fill = drummer.random.choice(others or fills)
    drummer.led = bar.number
    return drummer.fill


def _filled(drummer: _Drummer, bar: Bar, hits: list[Hit], fill: Fill) -> list[Hit]:
    """The fill, with the hands' own strokes dropped from where it begins; the feet go on, and under
    a set-up the hand that keeps time, too."""
    meter, swell = drummer.chart.drill.meter, 1.5 * _spread(drummer.random)
    added = [
        Hit(bar.start + stroke.place, KEYS[sound], stroke.touch, fill.level + swell)
        for sound, pattern in fill.sounds.items()
        for stroke in strokes(pattern, meter)
    ]
    begins = min(hit.start for hit in added)
    feet = {KEYS[sound] for sound in _FOOT}
    hand = {KEYS[sound] for sound in _TIME} if fill.setup else set()
    taken = {(hit.start, hit.key) for hit in added}
    kept = [
        hit
        for hit in hits
        if (hit.start < begins or hit.key in hand or _goes_on(hit, feet, meter.beat))
        and (hit.start, hit.key) not in taken
    ]
    return kept + added


def _goes_on(hit: Hit, feet: set[int], beat: Fraction) -> bool:
    return hit.key in feet and not hit.start % beat


def _ending(drummer: _Drummer) -> Iterator[Hit]:
    """Under the held chord one of the feel's endings; the band's own where it strikes twice."""
    chart, meter = drummer.chart, drummer.chart.drill.meter
    bars = [bar for bar in chart.ending if plays(chart, bar, "drums")]
    if not bars:
        return
    rings, *_ = endings = drummer.book.endings
    together = last_strokes(chart)[1:]
    ending = Random(f"{chart.drill.luck} drums end").choice(endings) if not together else rings
    for stroke in together:
        for sound in rings.sounds:
            yield Hit(bars[0].start + stroke.place, KEYS[sound], "accent", ending.level)
    for bar, number in zip(bars, range(len(bars)), strict=True):
        for sound, pattern in ending.sounds.items():
            parts = bars_of(pattern)
            for stroke in strokes(parts[number], meter) if number < len(parts) else ():
                place = bar.start + stroke.place
                yield Hit(place, KEYS[sound], stroke.touch, ending.level)

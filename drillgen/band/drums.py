"""Drums: the feel's layers bar by bar, comments now and then, fills into what comes next.

A fill never falls into a call: it leads from the last bar of a response, or from a bar of play
throughout, to the top of the form or into a section (common practice, and the student must hear the
call undisturbed); the form's marks say where these are.  No two passes of a track are played alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from random import Random

from drillgen.band.feel import DrumBook, Fill, Layer, bar_of, counted, feel, goes_on, strokes
from drillgen.band.percussion import KEYS
from drillgen.band.who_plays import after, plays, starts_pass
from drillgen.chart import Bar, Chart
from drillgen.score import Hit, Note, Part, Touch

# The form as a drummer marks it: a light crash at its top, a lighter stroke where a section begins,
# a fill into either.
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


# The click: counting in as players do, a starting note, and a click throughout where asked.
#
# How each feel is counted stands in its file: two bars of swing in halves first and in quarters
# last (1 . 3 . | 1 2 3 4), a waltz or a slow feel on every beat (common practice).

# The count-in's sounds: on the bar's first beat, on the others.
COUNT_SOUNDS = {
    "sticks": ("side stick", "side stick"),
    "click": ("high woodblock", "low woodblock"),
    "hat": ("pedal hi-hat", "pedal hi-hat"),
}
_CLICK_LEVEL = -6.0  # dB
_LENGTH = Fraction(1, 4)


def click(chart: Chart) -> Part | None:
    """Count-in strokes, and a click under the music where the drill asks for one."""
    hits = [*_count_in(chart), *_throughout(chart)]
    return Part("click", "standard kit", hits=tuple(hits)) if hits else None


def cue(chart: Chart, line: Part | None) -> Part | None:
    """The line's first note, sounded in the bar before the count-in."""
    if not chart.drill.count_in.starting_note or line is None or not line.notes:
        return None
    bar = chart.bars[0]
    length = bar.length - min(chart.drill.meter.beat, bar.length / 2)
    note = Note(bar.start, length, line.notes[0].pitch, mark="starting note")
    return Part("cue", line.instrument, (note,))


def _count_in(chart: Chart) -> Iterator[Hit]:
    bars = [bar for bar in chart.bars if bar.role == "count-in"]
    if chart.drill.count_in.starting_note:
        bars = bars[1:]
    first, other = COUNT_SOUNDS[chart.drill.count_in.sound]
    spoken = feel(chart.drill.feel, chart.drill.meter).count
    counts = [spoken[0]] * (len(bars) - len(spoken)) + list(spoken)
    for bar, pattern in zip(bars, counts[len(counts) - len(bars) :], strict=True):
        for stroke in strokes(pattern, chart.drill.meter):
            on_one = stroke.place == 0
            touch: Touch = "accent" if on_one else stroke.touch
            yield Hit(bar.start + stroke.place, KEYS[first if on_one else other], touch, 0, _LENGTH)


def _throughout(chart: Chart) -> Iterator[Hit]:
    for bar in chart.bars:
        if bar.form_bar >= 0 and plays(chart, bar, "click"):
            for beat in _clicked(chart, bar):
                place = bar.start + beat * chart.drill.meter.beat
                key = KEYS["low woodblock" if beat else "high woodblock"]
                yield Hit(place, key, "normal", _CLICK_LEVEL, _LENGTH)


def _clicked(chart: Chart, bar: Bar) -> range:
    """The beats (from 0) that click: as asked; all where time is to be kept without a drummer."""
    drill = chart.drill
    if drill.band.click.kind == "beats":
        return range(drill.meter.beats)
    if drill.band.click.kind == "two and four":
        return range(1, drill.meter.beats, 2)
    keeps_time = bar.role == "response" and drill.gaps is not None and drill.gaps.band == "time"
    return range(drill.meter.beats if keeps_time and drill.band.drums.kind == "off" else 0)


_FOOT = ("pedal hi-hat", "bass drum")  # the feet go on under a fill
_TIME = ("ride cymbal", "closed hi-hat", "brush tap")  # the hand that moves to the opening cymbal
_STROKE = Fraction(1, 4)  # quarter notes; drums ring by themselves
_FILL_AT_SECTION = 0.7  # how often a section gets one
_TRIES = 12  # to play a pass unlike every pass before it


@dataclass(slots=True)
class _Drummer:
    """The drummer through one track, and what he remembers of it."""

    chart: Chart
    book: DrumBook
    marks: FormMarks
    random: Random
    last: dict[int, str] = field(default_factory=dict)  # by layer, what was played last
    fill: Fill | None = None


def drums(chart: Chart) -> Part | None:
    """The drum part of a track; None where the drummer is off."""
    tools = chart.drill.band.drums.kind
    if tools == "off":
        return None
    book = feel(chart.drill.feel, chart.drill.meter).drums[tools]
    drummer = _Drummer(chart, book, marks(chart), Random(f"{chart.drill.luck} drums"))
    ending = [bar for bar in chart.ending if plays(chart, bar, "drums")]
    hits = [*_passes(drummer), *(hit for bar in ending for hit in _ending(chart, bar, book))]
    return Part(
        "drums", f"{book.kit} kit", hits=tuple(sorted(hits, key=lambda h: (h.start, h.key)))
    )


def _passes(drummer: _Drummer) -> Iterator[Hit]:
    """Each pass, drawn again where it comes out as one that was played before."""
    known: set[frozenset[tuple[Fraction, int, str]]] = set()
    for bars in drummer.chart.passes():
        for _ in range(_TRIES):
            hits = [hit for bar in bars for hit in _bar(drummer, bar)]
            shape = frozenset((hit.start - bars[0].start, hit.key, hit.touch) for hit in hits)
            if shape not in known:
                break
        known.add(shape)
        yield from hits


def _bar(drummer: _Drummer, bar: Bar) -> list[Hit]:
    chart, random = drummer.chart, drummer.random
    if not plays(chart, bar, "drums"):
        return []
    gaps = chart.drill.gaps
    timekeeping = bar.role == "response" and gaps is not None and gaps.band == "time"
    density = 0.0 if timekeeping else chart.drill.band.drums.density
    hits = [
        hit
        for number, layer in enumerate(drummer.book.layers)
        if float(bar.tempo) in layer.tempos and _plays_now(layer, density, random)
        for hit in _layer(drummer, bar, number, layer)
    ]
    if bar.number in drummer.marks.tops:
        hits = _opened(bar, hits, drummer.book.opening)
    if bar.number in drummer.marks.sections:
        hits = _opened(bar, hits, drummer.book.section)
    if not timekeeping and _wants_fill(drummer, bar):
        hits = _filled(chart, bar, hits, _next_fill(drummer, bar))
    return _once_each(hits)


def _plays_now(layer: Layer, density: float, random: Random) -> bool:
    return not layer.comment or random.random() < density / 2


def _layer(drummer: _Drummer, bar: Bar, number: int, layer: Layer) -> Iterator[Hit]:
    meter, count = drummer.chart.drill.meter, counted(drummer.chart, bar)
    pattern = drummer.last.get(number)
    if pattern is None or not goes_on(pattern, count):
        pattern = layer.choices.draw(drummer.random, float(bar.tempo), pattern)
        drummer.last[number] = pattern
    found = strokes(bar_of(pattern, count), meter)
    ends = [*(stroke.place for stroke in found[1:]), meter.bar]
    for stroke, end in zip(found, ends, strict=False):
        # A brush's sweep lasts until the next one.
        length = end - stroke.place if stroke.touch == "held" else _STROKE
        yield Hit(bar.start + stroke.place, KEYS[layer.sound], stroke.touch, layer.level, length)


def _once_each(hits: list[Hit]) -> list[Hit]:
    """One stroke at a time on one instrument: the loudest."""
    loudest = {(hit.start, hit.key): hit for hit in sorted(hits, key=lambda hit: hit.level)}
    return list(loudest.values())


def _opened(bar: Bar, hits: list[Hit], stroke: tuple[str, float]) -> list[Hit]:
    """A light cymbal where form or section begins, in place of the time-keeping hand's stroke."""
    sound, level = stroke
    hand = {KEYS[each] for each in (*_TIME, sound)}
    kept = [hit for hit in hits if hit.start > bar.start or hit.key not in hand]
    return [*kept, Hit(bar.start, KEYS[sound], "normal", level)]


def _wants_fill(drummer: _Drummer, bar: Bar) -> bool:
    following = after(drummer.chart, bar)
    if bar.role == "call" or (bar.role == "response" and _same_role(bar, following)):
        return False
    if following is not None and not plays(drummer.chart, following, "drums"):
        return False  # a fill leads on, never into silence
    if drummer.marks.leads(drummer.chart, bar):
        return True
    return drummer.marks.leads_to_section(bar) and drummer.random.random() < _FILL_AT_SECTION


def _same_role(bar: Bar, following: Bar | None) -> bool:
    return following is not None and following.role == bar.role


def _next_fill(drummer: _Drummer, bar: Bar) -> Fill:
    """A fill for the tempo, another one than last time."""
    fills = [fill for fill in drummer.book.fills if float(bar.tempo) in fill.tempos]
    others = [fill for fill in fills if fill is not drummer.fill]
    drummer.fill = drummer.random.choice(others or fills)
    return drummer.fill


def _filled(chart: Chart, bar: Bar, hits: list[Hit], fill: Fill) -> list[Hit]:
    """The fill, with the hands' own strokes dropped from where it begins; the feet go on."""
    added = [
        Hit(bar.start + stroke.place, KEYS[sound], stroke.touch, fill.level)
        for sound, pattern in fill.sounds.items()
        for stroke in strokes(pattern, chart.drill.meter)
    ]
    begins = min(hit.start for hit in added)
    feet = {KEYS[sound] for sound in _FOOT}
    taken = {(hit.start, hit.key) for hit in added}
    kept = [
        hit
        for hit in hits
        if (hit.start < begins or (hit.key in feet and not hit.start % chart.drill.meter.beat))
        and (hit.start, hit.key) not in taken
    ]
    return kept + added


def _ending(chart: Chart, bar: Bar, book: DrumBook) -> list[Hit]:
    """One stroke with a cymbal that rings."""
    before = chart.bars[bar.number - 1]
    if before.role == "ending":
        return []
    sound, level = book.opening
    return [
        Hit(bar.start, KEYS[sound], "normal", level),
        Hit(bar.start, KEYS["bass drum"], "normal", level),
    ]

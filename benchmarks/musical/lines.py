"""Lines made from the chords: how they lead from chord to chord, and how they are spelled.

Guide tones, arpeggios, scale patterns and enclosures draw nothing at random: one seed is all seeds.
Each preset is measured through twelve keys, beside every form of the corpus under each kind.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise, product
from typing import Any, NamedTuple

from benchmarks.musical.corpus import FORMS, at_one_tempo
from benchmarks.musical.figure import Figure, share
from drillgen.chart import Chart, Span, charts
from drillgen.drill.files import list_presets
from drillgen.drill.lesson import load
from drillgen.drill.lines import Arpeggio, Enclosure, GuideTones, Line, ScalePattern
from drillgen.drill.models import Drill
from drillgen.drill.reader import Override
from drillgen.lines.kinds import line
from drillgen.score import Note
from drillgen.theory.pitch import Degree

_OWN = "this project's own bar"
_PRACTICE = "common practice"
_STEP, _FIFTH = 2, 7  # semitones
_OCTAVE = 12
_MINOR = ("C", "F", "Bb", "Eb", "G#", "C#", "F#", "B", "E", "A", "D", "G")
_TENSIONS = 8  # degrees from here on are none of the chord's plain tones
_KINDS: tuple[dict[str, Any], ...] = (
    {"kind": "guide tones", "voices": "both"},
    {"kind": "arpeggio", "connect": True, "note": "eighth"},
    {"kind": "arpeggio", "connect": True},
    {"kind": "arpeggio"},
    *({"kind": "scale pattern", "pattern": pattern, "note": note, "direction": direction}
      for pattern in ("scale", "thirds", "groups of four") for note in ("eighth", "triplet")
      for direction in ("up", "alternating")),
    {"kind": "scale pattern", "pattern": "scale", "note": "eighth", "connect": True},
    {"kind": "scale pattern", "pattern": "scale", "note": "eighth", "bebop": True},
    {"kind": "scale pattern"},
    *({"kind": "enclosure", "fill": "chord tones", "approach": approach, "beats": beats}
      for approach in ("above below", "double chromatic", "double") for beats in ("chord", [1, 3])),
)  # fmt: skip


class _Track(NamedTuple):
    chart: Chart
    options: Line
    notes: tuple[Note, ...]


def tracks() -> Iterator[_Track]:
    """The line of each preset of these kinds in twelve keys, and of each form under each kind."""
    through = [Override("key_cycle", "fourths", "--key-cycle")]
    drills = [each for preset in list_presets() for each in load(preset.name, through).drills]
    drills += [_drill(name, options) for name, options in product(FORMS, _KINDS)]
    for drill in drills:
        if isinstance(drill.line, GuideTones | Arpeggio | ScalePattern | Enclosure):
            chart = charts(at_one_tempo(drill))[0]
            part = line(chart)
            yield _Track(chart, drill.line, part.notes if part else ())


def _drill(name: str, options: dict[str, Any]) -> Drill:
    minor = name == "minor"
    cycle = [f"{each} minor" for each in _MINOR] if minor else "fourths"
    key = "C minor" if minor else "C"
    given = {"progression": FORMS[name], "key": key, "key_cycle": cycle, "gaps": "off"}
    return Drill.model_validate({**given, "line": options})


def lines() -> Iterator[Figure]:
    """A table for each claim."""
    found = list(tracks())
    yield Figure("lines: tracks, each in twelve keys", len(found), None, "")
    yield from _joined(found)
    yield from _enclosed(found)
    yield from _both_voices(found)
    yield from _spelled(found)


# How scales and arpeggios go into the next chord.


def _is_free(options: Line) -> bool:
    """Whether it may choose how it ends or begins: not an order that is begun anew on its root."""
    if isinstance(options, Arpeggio):
        return options.connect
    return isinstance(options, ScalePattern) and isinstance(options.pattern, str)


_FREE, _BEGUN_ANEW = "scales, connected arpeggios", "orders begun anew"
_DECIDED = "arpeggios whose own degrees decide how they go on"
_WHOLE = "scale patterns of degrees that just fill their chords"


def _joined(found: Sequence[_Track]) -> Iterator[Figure]:
    moves: dict[str, list[int]] = {_FREE: [], _BEGUN_ANEW: [], _DECIDED: [], _WHOLE: []}
    for track in found:
        if isinstance(track.options, Arpeggio | ScalePattern):
            for kind, move in _changes(track):
                moves[kind].append(move)
    for kind, every in moves.items():
        total = len(every)
        bars: tuple[Any, Any] = (None if kind == _DECIDED else (95, 100)), (0, 2)
        steps = share(sum(move <= _STEP for move in every), total)
        wide = share(sum(move > _FIFTH for move in every), total)
        yield Figure(f"{kind}: changes by a step or on the same note, of {total}", steps, bars[0],
                     _PRACTICE, " %")  # fmt: skip
        yield Figure(f"{kind}: by more than a fifth", wide, bars[1], _PRACTICE, " %")
    broken, figures = _broken(found)
    yield Figure(f"{_WHOLE}: broken by an octave, of {figures}", broken, (0, 0), _PRACTICE)


def _broken(found: Sequence[_Track]) -> tuple[int, int]:
    """Of scale patterns of degrees that just fill a chord, before another one of the same call, how
    many do not lie over one root; and how many there are."""
    broken = figures = 0
    for track in found:
        line = track.options
        order = _order(line) if isinstance(line, ScalePattern) and not _is_free(line) else ()
        for (span, notes), (after, _) in pairwise(_cells(track)) if order else ():
            if span.end == after.start and 2 < len(notes) <= len(order):
                roots = {note.pitch.midi - Degree.parse(note.mark).semitones for note in notes}
                figures += 1
                broken += len(roots) > 1
    return broken, figures


def _changes(track: _Track) -> Iterator[tuple[str, int]]:
    """Semitones that the line moves from each chord into another one of the same call and pass, and
    what it could choose there: an order that just fills its chord has no other last note."""
    for one, other in pairwise(_cells(track)):
        passes = {track.chart.bar_at(span.start).pass_number for span, _ in (one, other)}
        joins = one[0].end == other[0].start and len(passes) == 1
        if joins and one[0].chord != other[0].chord:
            move = other[1][0].pitch.midi - one[1][-1].pitch.midi
            fills = len(one[1]) <= len(_order(track.options))
            decided = fills and min(move % _OCTAVE, -move % _OCTAVE) > _STEP
            whole = fills and isinstance(track.options, ScalePattern)
            filled = _WHOLE if whole else _DECIDED if decided else _BEGUN_ANEW
            yield _FREE if _is_free(track.options) else filled, abs(move)


def _order(options: Line) -> Sequence[object]:
    if isinstance(options, Arpeggio):
        return options.order
    return options.pattern if isinstance(options, ScalePattern) else ()


def _cells(track: _Track) -> Iterator[tuple[Span, list[Note]]]:
    """Each chord that the line is played over, and its notes."""
    waiting = list(track.notes)[::-1]
    for bar in track.chart.bars:
        for span in bar.spans if bar.form_bar >= 0 and not bar.tag else ():
            notes = []
            while waiting and waiting[-1].start < span.end:
                notes.append(waiting.pop())
            if span.chord is not None and notes and bar.role != "response":
                yield span, notes


# Enclosures that go back and forth.


def _enclosed(found: Sequence[_Track]) -> Iterator[Figure]:
    bars = stuck = 0
    for track in found:
        if isinstance(track.options, Enclosure):
            for keys in _by_bar(track):
                fours = zip(keys, keys[1:], keys[2:], keys[3:], strict=False)
                bars += 1
                stuck += any(a == c and b == d for a, b, c, d in fours)
    yield Figure(f"enclosures: bars with a-b-a-b, of {bars}", stuck, (0, 0), _PRACTICE)


def _by_bar(track: _Track) -> Iterator[list[int]]:
    bars: dict[int, list[int]] = {}
    for note in track.notes:
        bars.setdefault(track.chart.bar_at(note.start).number, []).append(note.pitch.midi)
    yield from bars.values()


# Guide tones in both voices: the least motion that the range allows, found here anew.


def _both_voices(found: Sequence[_Track]) -> Iterator[Figure]:
    passes = least = 0
    for track in found:
        if isinstance(track.options, GuideTones) and track.options.voices == "both":
            for steps, moved in _passes(track):
                passes += 1
                least += moved == _least_motion(steps)
    yield Figure(f"both guide tones: passes with the least motion that the range allows, of "
                 f"{passes}", share(least, passes), (100, 100), _OWN, " %")  # fmt: skip


def _passes(track: _Track) -> Iterator[tuple[list[list[tuple[int, int]]], int]]:
    """Of each stretch of a pass that is heard at once: every place of the two tones of each chord
    in the range that the line keeps to, and how far its voices move."""
    low, high = track.options.sounding_range
    if track.options.over_the_bass and track.options.range is None and low < 36:
        low = track.options.over_the_bass[0]
    for stretch in _stretches(track):
        pairs = [tuple(sorted(note.pitch.midi for note in notes[:2])) for _, notes in stretch]
        steps = [list(_places(pair, low, high)) for pair in pairs]
        yield steps, sum(_moved(a, b) for a, b in pairwise(pairs))


def _stretches(track: _Track) -> Iterator[list[tuple[Span, list[Note]]]]:
    stretch: list[tuple[Span, list[Note]]] = []
    for span, notes in _cells(track):
        number = track.chart.bar_at(span.start).pass_number
        before = stretch[-1][0] if stretch else None
        joins = before is not None and before.end == span.start
        if joins and track.chart.bar_at(before.start).pass_number == number:  # type: ignore[union-attr]
            stretch.append((span, notes))
        else:
            yield stretch
            stretch = [(span, notes)]
    yield stretch


def _places(pair: tuple[int, ...], low: int, high: int) -> Iterator[tuple[int, int]]:
    one, other = (key % _OCTAVE for key in pair)
    for a, b in product(range(low, high + 1), repeat=2):
        if a < b < a + _OCTAVE and {a % _OCTAVE, b % _OCTAVE} == {one, other}:
            yield a, b


def _moved(before: Sequence[int], after: Sequence[int]) -> int:
    return sum(abs(b - a) for a, b in zip(before, after, strict=True))


def _least_motion(steps: list[list[tuple[int, int]]]) -> int:
    costs = dict.fromkeys(steps[0], 0) if steps else {}
    for places in steps[1:]:
        costs = {p: min(cost + _moved(q, p) for q, cost in costs.items()) for p in places}
    return min(costs.values(), default=0)


# Spelling: a chord's tone by its degree's letter.


def _spelled(found: Sequence[_Track]) -> Iterator[Figure]:
    tones = right = 0
    worst: Counter[str] = Counter()
    for track in found:
        for span, notes in _cells(track):
            assert span.chord is not None
            own = {
                span.chord.root.above(each).pitch_class: span.chord.root.above(each)
                for each in span.chord.degrees
                if each.number < _TENSIONS and each != Degree(1)
            }
            own[span.chord.root.pitch_class] = span.chord.root
            for note in notes:
                name = own.get(note.pitch.name.pitch_class)
                if name is not None and note.mark != "approach":
                    tones += 1
                    right += name == note.pitch.name
                    if name != note.pitch.name:
                        worst[f"{span.chord}: {note.pitch.name}"] += 1
    yield Figure(f"spelling: chord tones by their degree's letter, of {tones}",
                 share(right, tones), (100, 100), _PRACTICE, " %")  # fmt: skip


def worst() -> Counter[str]:
    """Which presets leap at changes, for whoever improves them."""
    found: Counter[str] = Counter()
    for track in tracks():
        if isinstance(track.options, Arpeggio | ScalePattern) and _is_free(track.options):
            moves = [move for _, move in _changes(track)]
            title = f"{track.chart.drill.title} {track.options.model_dump(exclude_defaults=True)}"
            found[f"{title} of {len(moves)}"] = sum(move > _STEP for move in moves)
    return found

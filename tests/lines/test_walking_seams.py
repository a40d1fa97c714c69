"""A walking bass goes on: into the next pass and key, a tag and the ending; and it varies.

The intervals are common practice: a step, a fourth or a fifth leads into a downbeat.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

import pytest

from drillgen.arrange import arrange
from drillgen.band.bass import over_pedal
from drillgen.chart import Bar, charts
from drillgen.drill.lesson import load
from drillgen.lines.pass_context import cells
from drillgen.score import Note, Part, Score
from tests.lines.writing import WITHOUT_OTHERS, line, written
from tests.rows import with_each

BLUES = "I7 | IV7 | I7 | v7 I7 | IV7 | #IVo7 | I7 | VI7b9 | ii7 | V7 | I7 VI7 | ii7 V7"
FORMS: dict[str, Any] = {
    "blues": BLUES,
    "thirty-two bars": {
        "A": "I6 vi7 | ii7 V7 | iii7 VI7 | ii7 V7 | v7 I7 | IV6 #IVo7 | I6/5 VI7 | I6",
        "B": "III7 | % | VI7 | % | II7 | % | V7 | %",
        "form": "A A B A",
    },
    "turnaround": "Imaj7 VI7 | ii7 V7 | iii7 VI7 | ii7 V7",
    "one chord": "i7 | % | % | %",
    "ending where it began": "I6 | IV7 | V7 | I6",
}
KEYS = ["F", "Bb", "E"]
PLAYERS: dict[str, Any] = {
    "line": {"line": "walking", "band": {"bass": "off"}},
    "bass": {"line": "off", "band": {"bass": "walking"}},
}
LEADS = (1, 2, 5, 7)  # semitones


@cache
def walked(who: str, form: str, seed: int, **drill: Any) -> Score:
    return written(progression=FORMS[form], key_cycle=KEYS, passes=3, seed=seed,
                   **{**PLAYERS[who], **drill})  # fmt: skip


def by_bar(score: Score, who: str) -> dict[int, list[Note]]:
    part = score.part(who)  # type: ignore[arg-type]
    assert isinstance(part, Part)
    found = defaultdict(list)
    for note in part.notes:
        found[score.chart.bar_at(note.start).number].append(note)
    return found


def seams(score: Score, who: str) -> Iterator[tuple[Bar, Bar, int]]:
    """Neighbouring bars in which the part plays on, and the interval between them."""
    notes = by_bar(score, who)
    for one, two in pairwise(score.chart.bars):
        if notes[one.number] and notes[two.number]:
            last, first = notes[one.number][-1], notes[two.number][0]
            if last.start + last.duration == first.start == two.start:
                yield one, two, abs(first.pitch.midi - last.pitch.midi)


def is_seam(one: Bar, two: Bar) -> bool:
    """Whether a pass, a key, a tag or the ending begins."""
    return (one.pass_number, one.tag, one.role) != (two.pass_number, two.tag, two.role)


@with_each(("ending", "seed"), [("hold", 1), ("hold", 2), ("hold", 3), ("tag", 4)])
@with_each("form", FORMS)
@pytest.mark.parametrize("who", PLAYERS)
def test_the_last_bar_leads_into_what_follows(ending: str, who: str, form: str, seed: int) -> None:
    """Every pass and every key leads into the next one, the last into a tag and an ending: line and
    band alike, from the first to the last note of the track."""
    score = walked(who, form, seed, ending=ending)
    found = [apart for one, two, apart in seams(score, who) if is_seam(one, two)]
    assert len(found) == 9 + (ending == "tag")
    assert set(found) <= set(LEADS)


@pytest.mark.parametrize("who", PLAYERS)
def test_every_downbeat_is_led_into(who: str) -> None:
    """Inside a pass, too, where a chord goes on as where it changes: 99 of 100 bar lines at least
    (this project's own bar), pedal points apart, which stay.  The band's bass also comes by a third
    or anticipates the note, as counted in recordings (Weimar Jazz Database), never by another
    leap."""
    leads = LEADS if who == "line" else (0, 3, 4, *LEADS)
    good = total = 0
    for form in FORMS:
        for seed in range(1, 4):
            score = walked(who, form, seed, ending="hold")
            held = set()
            for bars in score.chart.passes():
                row = list(cells(bars))
                places = {cell.span.start for cell, over in zip(row, over_pedal(row), strict=True)
                          if over}  # fmt: skip
                held |= {score.chart.bar_at(place).number for place in places}
            for one, _, apart in seams(score, who):
                if one.number not in held:
                    total += 1
                    good += apart in leads
    assert total > 1200
    assert good / total >= 0.99


@pytest.mark.parametrize("preset", ["blues-walking", "thirty-two-bars-walking", "bare-and-full"])
def test_the_presets_lead_on(preset: str) -> None:
    """In each preset that walks throughout, every whole pass leads into what follows; a bare one
    holds its bones and owes nothing."""
    for chart in charts(load(preset, WITHOUT_OTHERS).drills[0])[:1]:
        score = arrange(chart)
        bare = preset == "bare-and-full"
        found = [
            apart
            for one, two, apart in seams(score, "line")
            if is_seam(one, two) and not (bare and one.pass_number % 2)
        ]
        assert found and set(found) <= set(LEADS)


@pytest.mark.parametrize("bars", range(3, 8))
@pytest.mark.parametrize("trade", [(2, 1), (3, 1), (4, 2)])
def test_a_call_leads_into_what_it_plays_on_into(bars: int, trade: tuple[int, int]) -> None:
    """Where trading goes on through forms of odd lengths, a call goes on over the end of a pass: it
    leads there as anywhere; into a key that begins with a call as well."""
    form = " | ".join(["I6", "vi7", "ii7", "V7", "iii7", "VI7", "ii7"][:bars])
    gaps = {"call": trade[0], "response": trade[1], "harmony": "continues"}
    found = []
    for seed in range(1, 3):
        score = written(progression=form, key_cycle=KEYS, passes=4, gaps=gaps, seed=seed,
                        line="walking")  # fmt: skip
        found += [apart for _, _, apart in seams(score, "line")]
    assert found and set(found) <= set(LEADS)


@pytest.mark.parametrize("who", PLAYERS)
def test_a_written_bass_is_on_the_downbeat(who: str) -> None:
    """Over a slash chord the written bass is the first note, also where the line may begin other
    chords on any of their tones (common practice), and where the chord goes on."""
    beside = {"line": {"kind": "walking", "beat_one": "chord tone"}} if who == "line" else {}
    others = 0
    for seed in range(1, 9):
        score = written(progression="Dm7 | C/E | Fmaj7 | Dm7/A | % | Bb/D Am7/G | Gm7 | C7",
                        key="C", key_cycle=["C", "Eb"], passes=2, seed=seed,
                        **{**PLAYERS[who], **beside})  # fmt: skip
        part = score.part(who)  # type: ignore[arg-type]
        assert part is not None
        firsts = {note.start: note.pitch.midi % 12 for note in part.notes}
        for bar in score.chart.bars:
            for span in bar.spans if bar.form_bar >= 0 else ():
                assert span.chord
                on_bass = firsts[span.start] == span.chord.bass_name.pitch_class
                assert on_bass or span.chord.bass is None
                others += not on_bass
    assert others > 0 or who == "bass"


@pytest.mark.parametrize("bass", ["roots", "two-beat", "walking"])
@pytest.mark.parametrize("last", ["C/G", "C6/E", "I6/5"])
def test_the_last_chord_stands_on_its_root(last: str, bass: str) -> None:
    """A form that closes on an inversion ends on the root all the same: band, line and symbol
    (common practice: an inversion does not close)."""
    for who in ({"line": "walking", "band": {"bass": "off"}},
                {"line": "off", "band": {"bass": bass}}):  # fmt: skip
        start = "ii7 | V7" if last[0] == "I" else "Dm7 | G7"
        score = written(progression=f"{start} | {last}", key="C", key_cycle="C", **who)
        final = score.chart.ending[0]
        assert final.spans[0].chord and final.spans[0].chord.bass is None
        part = score.part("line") or score.part("bass")
        assert part is not None
        held = [note for note in part.notes if note.start >= final.start]
        assert {str(note.pitch.name) for note in held} == {"C"}


def shapes(score: Score, who: str) -> dict[tuple[int, int], tuple[int, ...]]:
    """What each pass plays in each bar of the form, in semitones over the tonic."""
    notes = by_bar(score, who)
    return {
        (bar.pass_number, bar.form_bar): tuple(
            (note.pitch.midi - bar.key.tonic.pitch_class) % 12 for note in notes[bar.number]
        )
        for bar in score.chart.bars
        if bar.form_bar >= 0
    }


@pytest.mark.parametrize("who", PLAYERS)
@pytest.mark.parametrize("form", ["blues", "thirty-two bars", "turnaround"])
def test_a_chorus_is_not_the_chorus_before(form: str, who: str) -> None:
    """At most one bar in ten is, note for note over its tonic, what the pass before played there
    (this project's own bar); of nine choruses' last bars no two running are all alike."""
    again = total = 0
    for seed in range(1, 4):
        found = shapes(walked(who, form, seed, ending="hold"), who)
        bars = {bar for _, bar in found}
        lasts = [shape for (_, bar), shape in found.items() if bar == max(bars)]
        assert len(set(lasts)) >= 3
        for (number, bar), shape in found.items():
            if (number - 1, bar) in found:
                total += 1
                again += found[number - 1, bar] == shape
    assert again / total <= 0.1


@pytest.mark.parametrize("chords", ["Eb6 Edim7 | F7", "Am7 Abdim7 | Gm7", "Eb6 | Edim7 | F7"])
def test_a_bass_that_moves_by_step_is_followed(chords: str) -> None:
    """Where the basses of the chords move by semitones, nine of ten changes are made to the
    neighbour itself, not to its octave, and in at most one of twenty the line backs away and steps
    across the root into the change, E D# F (common practice; the shares are this project's own)."""
    beside = total = crossed = 0
    for seed in range(1, 21):
        score = written(progression=chords, key="Bb", key_cycle=["Bb", "E"], passes=2, seed=seed,
                        line="walking")  # fmt: skip
        spans = [span for bars in score.chart.passes() for span in bars_spans(bars)]
        firsts = {note.start: note.pitch.midi for note in line(score)}
        ends = {note.start + note.duration: note.pitch.midi for note in line(score)}
        for here, there in pairwise(spans):
            assert here.chord and there.chord
            moved = (there.chord.root.pitch_class - here.chord.root.pitch_class) % 12
            if moved in (1, 11):
                root, goal, last = firsts[here.start], firsts[there.start], ends[there.start]
                total += 1
                beside += abs(goal - root) == 1
                across = min(last, goal) < root < max(last, goal)
                crossed += across and abs(goal - last) <= 2
    assert beside / total >= 0.9
    assert crossed / total <= 0.05


def bars_spans(bars: tuple[Bar, ...]) -> list[Any]:
    return [span for bar in bars for span in bar.spans]


@pytest.mark.parametrize("version", ["full", "bare", "alternating"])
def test_the_same_drill_is_the_same_line(version: str) -> None:
    """Written twice, it is the same note for note."""
    drill = {"line": {"kind": "walking", "version": version}, "passes": 4, "seed": 5}
    one, two = (written(progression=BLUES, key_cycle=KEYS, ending="tag", **drill) for _ in range(2))
    assert line(one) == line(two)

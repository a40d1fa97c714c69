"""Feels: each is complete, and plays what players expect of it."""

from __future__ import annotations

import csv
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import get_args

import pytest
from click.testing import CliRunner
from quicktions import Fraction
from ruamel.yaml import YAML

from drillgen.band.feel import KEYS, Choices, DrumBook, bars_of, feel, figure_notes, strokes
from drillgen.cli import main
from drillgen.drill import band
from drillgen.drill.band import CompingKind
from drillgen.drill.bars import FASTEST, METERS, SLOWEST
from drillgen.drill.files import list_presets
from drillgen.performance import perform
from drillgen.timing import ratio_in
from tests.band.playing import BLUES, EVERY, bars, of, only, shapes, struck, written
from tests.conftest import DATA

DOCS = Path(__file__).parents[2] / "docs"

TEMPOS = range(int(SLOWEST), int(FASTEST) + 1)
HALF = Fraction(1, 2)


def always_something(choices: Choices) -> bool:
    return all(choices.at(tempo) for tempo in TEMPOS)


def complete(book: DrumBook, meter: str) -> None:
    assert all(any(tempo in fill.tempos for fill in book.fills) for tempo in TEMPOS)
    for layer in book.layers:
        assert layer.sound in KEYS
        assert all(layer.choices.at(tempo) for tempo in TEMPOS if tempo in layer.tempos)
        for pattern in layer.choices.patterns:
            assert all(strokes(bar, METERS[meter]) for bar in bars_of(pattern) if bar != "rest")
    for fill in book.fills:
        assert set(fill.sounds) <= set(KEYS)
        assert all(strokes(bar, METERS[meter]) for bar in fill.sounds.values())
    assert book.opening[0] in KEYS


def test_every_feel_of_the_language_has_a_player():
    """Nothing that the language names is left without a band."""
    assert band.playable_feels()[: len(band.FEELS)] == band.FEELS


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_a_feel_is_complete(name, meter):
    """Drums with sticks and with brushes, comping, bass and count-in; every pattern fits its bar
    and names sounds of the kit; at every tempo there is something to play."""
    played = feel(name, METERS[meter])
    assert set(played.drums) == {"sticks", "brushes"}
    for book in played.drums.values():
        complete(book, meter)
    assert set(played.comping) - {"cells"} <= set(get_args(CompingKind))
    for rhythms in played.comping.values():
        assert always_something(rhythms.cells)
        for pattern in rhythms.cells.patterns:
            assert all(isinstance(strokes(bar, METERS[meter]), tuple) for bar in bars_of(pattern))
    assert always_something(played.two_beat)
    for pattern in played.two_beat.patterns:
        for bar in bars_of(pattern):
            assert figure_notes(bar, METERS[meter])[0].stroke.place == 0  # the one is said
    assert all(strokes(bar, METERS[meter]) for bar in played.count)


@pytest.mark.parametrize("name", band.playable_feels())
def test_the_docs_tell_of_every_feel(name):
    """Each has a row with its meters and basses and a paragraph in `docs/feels.md`, its name in the
    row of feels of `docs/language.md`, and a preset."""
    page = (DOCS / "feels.md").read_text("utf-8")
    row = next((row for row in page.split("\n") if row.startswith(f"| `{name}` |")), "")
    for word in (*band.meters(name), *band.basses(name)):
        assert word in row, f"docs/feels.md: the table needs a row of `{name}` with {word}"
    assert f"\n**{name}.** " in page, f"docs/feels.md: no paragraph begins **{name}.**"
    fields = (DOCS / "language.md").read_text("utf-8").split("\n")
    (feels,) = (row for row in fields if row.startswith("| `feel` |"))
    assert f"`{name}`" in feels, f"docs/language.md: the row of `feel` does not name `{name}`"
    presets = (preset.path.read_text("utf-8") for preset in list_presets())
    said = f"\nfeel: {name}\n"
    assert name == "swing" or any(said in text for text in presets), f"no preset has feel: {name}"


def test_the_kit_has_its_general_midi_keys():
    """Percussion keys by name against the table of General MIDI Level 1 (tests/data/gm1.csv)."""
    with (DATA / "gm1.csv").open(encoding="utf-8") as file:
        names = {
            int(row["midi_value"]): row["name"].lower().replace("-", " ")
            for row in csv.DictReader(file)
            if row["kind"] == "drum_key"
        }
    said = {
        "bass drum": "bass drum 1",
        "snare": "acoustic snare",
        "crash cymbal": "crash cymbal 1",
        "ride cymbal": "ride cymbal 1",
        "high woodblock": "hi wood block",
        "low woodblock": "low wood block",
        "high tom": "hi mid tom",
    }
    for sound, key in KEYS.items():
        if not sound.startswith("brush"):  # the brush kit is General MIDI Level 2
            assert names[key] == said.get(sound, sound.replace("-", " ")), sound


@pytest.mark.parametrize(("name", "meter"), EVERY)
@pytest.mark.parametrize("tools", ["sticks", "brushes"])
def test_the_kit_does_not_repeat_itself(name, meter, tools):
    """Passes of eight bars, by anybody, are all different; fewer than a third of the bars are what
    was played just before; of any 32 at least 24 are different, and none is played more than three
    times; drummers alone have 31, 21 to 32 (Groove MIDI Dataset)."""
    tempo = 90 if meter == "12/8" else 120
    score = written(feel=name, meter=meter, passes=8, tempo=tempo, band=only("drums", tools))
    per_bar = list(shapes(score, "drums"))
    passes = [tuple(per_bar[first : first + 8]) for first in range(0, len(per_bar), 8)]
    assert len(set(passes)) == len(passes) == 8
    assert sum(one == other for one, other in pairwise(per_bar)) / len(per_bar) < 1 / 3
    for first in range(len(per_bar) - 31):
        counts = Counter(per_bar[first : first + 32])
        assert len(counts) >= 24 and max(counts.values()) <= 3


@pytest.mark.parametrize(("name", "meter"), EVERY)
@pytest.mark.parametrize("harmony", ["repeats", "continues"])
def test_no_fill_in_a_call(name, meter, harmony):
    """Toms and crashes never sound in a call but at the top of the form (common practice: the
    student must hear the call undisturbed); without comments toms sound in fills only, which in
    call and response are in a response's last bar."""
    drill = {
        "feel": name,
        "meter": meter,
        "line": "roots",
        "gaps": {"call": 2, "response": 2, "harmony": harmony},
        "key_cycle": ["C", "Bb"],
    }
    toms = {KEYS["low tom"], KEYS["high tom"]}
    for density in (0, 0.5, 1):
        # Between the two the drummer hears the chords, too.
        comping = "piano" if density == 0.5 else "off"
        drums = {"kind": "sticks", "density": density}
        score = written(**drill, band=only("drums", drums, comping=comping))
        chart = score.chart
        for hit in of(score, "drums").hits:
            bar = chart.bar_at(hit.start)
            if hit.key in toms:
                assert bar.role == "response"
                assert density or chart.bars[bar.number + 1].role != "response"
            if hit.key == KEYS["crash cymbal"] and bar.role == "call":
                assert hit.start == bar.start


@pytest.mark.parametrize("name", ["swing", "two-feel", "ballad", "shuffle"])
@pytest.mark.parametrize("tempo", [60, 140, 220, 300])
def test_two_and_four_are_closed_on_the_hi_hat(name, tempo):
    """Common practice: in four the hi-hat closes on 2 and 4, by foot or (in two) by hand."""
    band = only("drums", "sticks")
    score = written(feel=name, tempo=tempo, passes=2, ending="none", band=band)
    for bar in bars(score):
        closed = struck(score, bar, "pedal hi-hat") + struck(score, bar, "closed hi-hat")
        assert 1 in closed
        assert 3 in closed or bar.form_bar == 7  # a fill may take the hand away
        assert all(place in (1, 3) for place in struck(score, bar, "pedal hi-hat"))


def test_bossa_nova_keeps_its_clave():
    """The cross-stick's pattern as commonly notated in 4/4: 1, & of 2, 4 | 2, & of 3, or the same
    two bars the other way round; a track keeps to one side, some begin with the three strokes,
    others with the two (common practice)."""
    three, two = [0, 3 * HALF, 3], [1, 5 * HALF]
    firsts = set()
    for seed in range(8):
        band = only("drums", {"kind": "sticks", "density": 0})
        score = written(feel="bossa nova", passes=3, seed=seed, band=band)
        sides = set()
        for bar in bars(score):
            if bar.form_bar == 7:  # fills take the hand away
                continue
            found = struck(score, bar, "side stick")
            assert found in (three, two), seed
            sides.add((found == three) == (bar.form_bar % 2 == 0))
        assert len(sides) == 1, seed
        firsts |= sides
    assert firsts == {True, False}


def test_the_bass_drum_is_feathered_softly() -> None:
    """Quarters on the bass drum come and go by phrases, always soft (common practice: felt rather
    than heard); with its comments it is struck 0.4 to 2.8 times a bar (Groove MIDI Dataset), slow
    and fast."""
    for tempo in (140, 240):
        score = written(tempo=tempo, passes=8)
        quarters = {Fraction(beat) for beat in range(4)}
        full = [quarters <= set(struck(score, bar, "bass drum")) for bar in bars(score)]
        assert 0.1 < sum(full) / len(full) < 0.9
        assert 0.4 <= sum(len(struck(score, bar, "bass drum")) for bar in bars(score)) / 64 <= 2.8
    alone = written(tempo=140, passes=8, band=only("drums", {"kind": "sticks", "density": 0}))
    feathered = [h.level for h in of(alone, "drums").hits if h.key == KEYS["bass drum"]]
    assert sum(level <= -10 for level in feathered) > 0.85 * len(feathered)


def test_fast_time_is_broken_and_sparse():
    """Above 220 the ride skips less, and the comping plays less, than at a medium tempo."""
    chords = []
    skipped = []
    for tempo in (140, 280):
        scores = [written(progression=BLUES, tempo=tempo, passes=8, seed=seed) for seed in range(2)]
        chords.append(sum(len({n.start for n in of(s, "comping").notes}) for s in scores))
        skipped.append(
            sum(p % 1 == HALF for s in scores for b in bars(s) for p in struck(s, b, "ride cymbal"))
        )
    assert chords[1] < 0.8 * chords[0] and skipped[1] < 0.95 * skipped[0]


def test_comments_go_with_the_chords_and_leave_the_line_alone():
    """About half of the snare's comments fall on a stroke of the comping; where a line is busy
    there are fewer of them than where it rests (common practice)."""
    with_chords, total, by_role = 0, 0, {"call": 0, "response": 0}
    for seed in range(3):
        line = {"kind": "arpeggio", "note": "eighth"}
        score = written(tempo=150, passes=6, seed=seed, line=line, gaps=4)
        chords = {note.start for note in of(score, "comping").notes}
        for bar in bars(score):
            fills = score.chart.bars[bar.number + 1].role != bar.role
            for place in [] if fills else struck(score, bar, "snare"):
                total += 1
                with_chords += bar.start + place in chords
                by_role[bar.role] += 1
    assert 0.4 < with_chords / total < 0.75
    assert by_role["call"] < 0.75 * by_role["response"]


def test_choruses_build() -> None:
    """Each chorus of drums is a little louder than the one before and the last eight bars are the
    loudest: -2, 0, 1 and 2 dB, and 1 more (common practice), before any touch."""
    score = written(tempo=150, passes=8, band=only("drums", {"kind": "sticks", "density": 0}))
    hats = [h for h in of(score, "drums").hits if h.key == KEYS["pedal hi-hat"]]
    by_pass: dict[int, set[float]] = {}
    for hit in hats:
        bar = score.chart.bar_at(hit.start)
        by_pass.setdefault((bar.number - 2) // 8, set()).add(hit.level + 3)
    assert [by_pass[number] for number in range(8)] == [{-2}, {-2}, {0}, {0}, {1}, {1}, {2}, {3}]


def test_a_samba_ensemble_is_felt_on_the_toms() -> None:
    """The toms answer on 4 and the & of 4, an eighth earlier in every other bar (drummers' lessons
    on samba: the higher surdo)."""
    score = written(feel="samba", tempo=200, passes=12, band=only("drums", "sticks"))
    answers = [tuple(struck(score, bar, "low tom")) for bar in bars(score)]
    late, early = (3, 7 * HALF), (5 * HALF, 3)
    at = {
        shape: {n % 2 for n, found in enumerate(answers) if found == shape}
        for shape in (late, early)
    }
    assert late in answers and early in answers
    assert len(at[late]) == 1 or len(at[early]) == 1


def test_brushes_sweep_and_tap() -> None:
    """One hand sweeps without a hole, the other taps, in every feel but where a fill takes over:
    the sweeps of a bar are written as held strokes that last until the next."""
    for name in ("swing", "ballad", "jazz waltz", "two-feel", "shuffle"):
        band = only("drums", {"kind": "brushes", "density": 0})
        score = written(feel=name, passes=4, band=band)
        swirl, tap = KEYS["brush swirl"], KEYS["brush tap"]
        for bar in bars(score):
            if bar.form_bar % 8 == 7:
                continue
            inside = [h for h in of(score, "drums").hits if bar.start <= h.start < bar.end]
            sweeps = [hit for hit in inside if hit.key == swirl]
            assert sum(hit.duration for hit in sweeps) == bar.length
            assert any(hit.key == tap for hit in inside) and all(h.touch == "held" for h in sweeps)


def test_rhythm_guitar_plays_a_chord_a_beat():
    """Four in the bar, the weak beats accented (common practice)."""
    score = written(band=only("comping", "rhythm guitar"), ending="none")
    part = of(score, "comping")
    assert part.instrument == "guitar"
    assert {note.start % 4 for note in part.notes} == {0, 1, 2, 3}
    assert {note.start % 4 for note in part.notes if note.touch == "accent"} == {1, 3}


def test_ballads_are_held():
    """Chords of a ballad sound longer than those of swing at the same tempo (common practice)."""
    lengths = {}
    for name in ("ballad", "swing"):
        band = only("comping", "piano")
        notes = of(
            written(feel=name, tempo=70, passes=4, ending="none", band=band), "comping"
        ).notes
        lengths[name] = sum(note.duration for note in notes) / len(notes)
    assert lengths["ballad"] > 1.2 * lengths["swing"]
    score = written(feel="ballad", tempo=60, band=only("drums", "brushes"))
    for bar in bars(score):
        sweeps = [
            hit
            for hit in of(score, "drums").hits
            if bar.start <= hit.start < bar.end and hit.key == KEYS["brush swirl"]
        ]
        if bar.form_bar != 7:  # one sweep after another, without a hole
            assert sweeps[0].start == bar.start
            assert sum(hit.duration for hit in sweeps) == bar.length


@pytest.mark.parametrize(
    ("name", "tempo", "ratio"),
    [
        (
            "swing",
            200,
            1.95,
        ),  # the middle of 10 to 90 % of tracks (Jazz Trio Database), within 0.25
        ("jazz waltz", 160, 2.45),
        ("five-four swing", 200, 1.95),
        ("two-feel", 160, 2.45),
        ("shuffle", 110, 2),  # the triplet (common practice)
        ("ballad", 60, 2),
        ("bossa nova", 130, 1),
        ("samba", 200, 1),
        ("straight eighths", 140, 1),
        ("slow 12/8", 60, 1),
    ],
)
def test_swing_ratio_of_each_feel(name, tempo, ratio):
    """Swing as measured at the tempo, shuffle on the triplet, straight feels even, unless the drill
    says otherwise."""
    score = written(feel=name, tempo=tempo, band="off")
    assert ratio_in(score.chart, bars(score)[0]) == pytest.approx(
        ratio, abs=0.25 if ratio % 1 else 0.001
    )
    score = written(feel=name, tempo=tempo, swing=1.5, band="off")
    assert ratio_in(score.chart, bars(score)[0]) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("name", "meter", "counted"),
    [
        ("swing", "4/4", [0, 2, 4, 5, 6, 7]),
        ("two-feel", "4/4", [0, 2, 4, 5, 6, 7]),
        ("bossa nova", "4/4", [0, 2, 4, 5, 6, 7]),
        ("ballad", "4/4", range(8)),
        ("jazz waltz", "3/4", range(6)),
        ("five-four swing", "5/4", range(10)),
        ("slow 12/8", "12/8", [Fraction(3 * beat, 2) for beat in range(8)]),
        ("slow 12/8", "6/8", [Fraction(3 * beat, 2) for beat in range(4)]),
    ],
)
def test_feels_are_counted_in_as_players_count(name, meter, counted):
    """In four 1 . 3 . | 1 2 3 4; ballads, waltzes and fives on every beat; twelve-eight in dotted
    quarters (common practice)."""
    score = written(feel=name, meter=meter, progression="I6", band="off")
    assert [hit.start for hit in of(score, "click").hits] == list(counted)


def test_twelve_eight_stands_in_thirds_of_the_beat():
    """Whatever is played in 12/8 lies on an eighth note, of which the beat has three."""
    score = written(feel="slow 12/8", band={"bass": "two-beat"}, passes=3)
    for part in score.parts:
        assert all((2 * e.start).denominator == 1 for e in (*part.notes, *part.hits))


@pytest.mark.parametrize(
    ("name", "meter", "bass"),
    [("swing", "4/4", "walking"), ("bossa nova", "4/4", "two-beat"), ("slow 12/8", "6/8", "roots")],
)
def test_the_band_is_softer_under_a_response_where_asked(name, meter, bass):
    """`gaps.level` lowers drums, comping and bass there by that much and changes nothing else."""
    asked = {"feel": name, "meter": meter, "line": "roots", "band": {"bass": bass}}
    plain = written(**asked, gaps={"call": 4})
    soft = written(**asked, gaps={"call": 4, "level": -6})
    for part in plain.parts:
        other = of(soft, part.name)
        for one, two in zip((*part.notes, *part.hits), (*other.notes, *other.hits), strict=True):
            answered = plain.chart.bar_at(one.start).role == "response"
            lowered = -6 if answered and part.name in ("drums", "comping", "bass") else 0
            assert (one.start, one.level + lowered) == (two.start, two.level)
    loud, quiet = (
        sum(note.velocity for voice in perform(score).voices for note in voice.notes)
        for score in (plain, soft)
    )
    assert quiet < loud


@pytest.mark.parametrize(
    ("right", "wrong", "at", "said"),
    [
        ("basses:", "base:", "", "shuffle.yaml has no basses"),
        ("meters:", "balanse: {}\nmeters:", "", "shuffle.yaml: balanse means nothing"),
        ("weight: {bass:", "weight: {base:", "", '"base" is none of'),
        ("swing: 2", "swing: triplets", "", 'swing: "triplets" is none of published'),
        ("count:", "cuont:", "cuont", 'did you mean "count"?'),
        ("opening: {sound: crash cymbal, level", "opening: {level", "opening", "sound is missing"),
        ("  4/4:", "  4/3:", "", '"4/3" is no meter; allowed: 4/4'),
        ("comment:", "coment:", "coment", 'did you mean "comment"?'),
        ("two-beat:", "two-beat: 2\n      x:", "x", '"x" is no word of this table'),
        ("two-beat:", "two-beat: 2\n  3/4:\n    x:", "two", "here stands a table of patterns"),
        ("count:", "count: 3 #", "", "a list, a table or a number stands where"),
        ("below: 200", "belwo: 200", "belwo", 'did you mean "below"?'),
        ("meters:", "meters: [", "", "shuffle.yaml is not readable as YAML"),
        ("sound: ride cymbal", "sound: ride cymbel", "ride", "allowed: bass drum, side stick"),
        ("kit: standard", "kit: standart", "standart", 'did you mean "standard"?'),
        ('{snare: "3&"', '{snair: "3&"', "snair", 'did you mean "snare"?'),
        ('"1. 4&-": 3', '"1. 5&-": 3', '"1.', "'5&-' lies outside a bar of 4/4"),
    ],
)
def test_a_feel_that_is_wrong_is_named(tmp_path, monkeypatch, right, wrong, at, said):
    """Who writes a feel of their own is told what is wrong with its file by check, and by build as
    three of them show, a word, a sound, a kit or a stroke with its line and column, and nothing is
    made."""
    place = ""
    for file in band.FEELS_FOLDER.glob("*.yaml"):
        text = file.read_text("utf-8")
        if file.stem == "shuffle":
            assert right in text
            text = text.replace(right, wrong, 1)
            lines = text[: text.index(wrong) + wrong.index(at)].split("\n")
            place = f"shuffle.yaml:{len(lines)}:{len(lines[-1]) + 1}: " if at else place
        (tmp_path / file.name).write_text(text, "utf-8")
    monkeypatch.setattr(band, "FEELS_FOLDER", tmp_path)
    drill = tmp_path / "drill.yml"
    drill.write_text("title: Wrong feel\nprogression: ii7 | V7 | Imaj7 | %\nfeel: shuffle\n")
    commands = [["check", str(drill)]]
    if right in ("basses:", "sound: ride cymbal", '"1. 4&-": 3'):
        commands += [["build", str(drill), "-o", str(tmp_path / "out"), "--jobs=1"]]
    for command in commands:
        feel.cache_clear()
        done = CliRunner().invoke(main, command)
        feel.cache_clear()
        assert done.exit_code == 2 and said in done.output and place in done.output
        assert not (tmp_path / "out").exists()


def test_what_is_kept_of_a_feel_is_what_its_file_says(tmp_path, monkeypatch):
    """Read anew, from the copy that is kept, and from a copy that is damaged, each feel's file says
    what ruamel.yaml's safe reader finds in it."""
    monkeypatch.setenv("DRILLGEN_CACHE", str(tmp_path))
    files = {
        name: band.FEELS_FOLDER / f"{band._stem(name)}.yaml" for name in ("samba", "slow 12/8")
    }
    said = {name: YAML(typ="safe", pure=True).load(file) for name, file in files.items()}
    for damage in (None, None, b'{"pairs": 3}', b"\xff"):
        for kept in tmp_path.rglob("*.json") if damage else ():
            kept.write_bytes(damage)
        band._read.cache_clear()
        assert {name: band.feel_file(name) for name in files} == said
    band._read.cache_clear()

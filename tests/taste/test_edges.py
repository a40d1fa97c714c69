"""Numbers at their edges: units, widths and counts that nobody would look for in the music."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from quicktions import Fraction

from drillgen.audio.tags import Tags, id3_tag
from drillgen.band.hands import Beside
from drillgen.bank import soundfont_writer
from drillgen.chart import Chart, charts
from drillgen.cli import _wrapped, main
from drillgen.cli.checking import length
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import drill_of, parse_drill
from drillgen.errors import clock
from drillgen.lines import kinds
from drillgen.listing import in_words
from drillgen.midi import TICKS, Ruler
from drillgen.page import Stand, Take, values
from drillgen.performance import perform
from drillgen.score import Note
from drillgen.take import AskedNote, AskedResponse, HeardNote, notes, tables
from drillgen.take.asked import _repeats
from drillgen.take.hear_files import picture
from drillgen.take.judge import JudgedResponse, Tuning, folded, in_reach, pitch_kind
from drillgen.take.notes import GrowingNote
from drillgen.theory.pitch import Pitch
from drillgen.theory.voicings import leap_together
from tests.taste.heard import heard
from tests.taste.test_words import Terminal


def checked(folder: Path, **drill: Any) -> str:
    """What `check` says of a drill in C that nobody answers."""
    rows = {"progression": "I", "key_cycle": "C", "gaps": "none", **drill}
    file = folder / "drill.yaml"
    file.write_text("".join(f"{key}: {value}\n" for key, value in rows.items()), "utf-8")
    done = CliRunner().invoke(main, ["check", str(file)])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.parametrize(("line", "mixes"), [("roots", 2), ("off", 1)])
def test_megabytes_are_millions(tmp_path: Path, line: str, mixes: int) -> None:
    """A build's size is told in megabytes of 10^6 bytes (IEC 80000-13): of 16-bit stereo at 44,100
    Hz, and of MP3 at the 150 kbit/s that LAME's V2 has for a band (common practice); of two mixes,
    but of one where there is no line to leave out."""
    said = checked(tmp_path, tempo=60, passes=100, count_in=0, ending="none", line=line)
    found = re.search(r"6 min 40 s of music: about (\d+) MB as WAV, (\d+) MB", said)
    assert found
    assert int(found[1]) == pytest.approx(mixes * 400 * 44_100 * 4 / 1e6, abs=1)
    assert int(found[2]) == pytest.approx(mixes * 400 * 150_000 / 8 / 1e6, abs=1)


def test_megabytes_of_a_small_pack(tmp_path: Path) -> None:
    """Of less than one, tenths: 2 mixes of 8 s at 150 kbit/s are 0.3 MB."""
    said = checked(tmp_path, tempo=60, passes=2, count_in=0, ending="none", line="roots")
    assert "8 s of music: about 3 MB as WAV, 0.3 MB as MP3" in said


@pytest.mark.parametrize(
    ("seconds", "said", "shown"),
    [(0.4, "0 s", "0:00"), (0.6, "1 s", "0:01"), (59, "59 s", "0:59"), (60, "1 min 00 s", "1:00"),
     (61, "1 min 01 s", "1:01"), (3599, "59 min 59 s", "59:59"), (3600, "1 h 00 min", "1:00:00"),
     (7380, "2 h 03 min", "2:03:00")],
)  # fmt: skip
def test_a_minute_has_sixty_seconds(seconds: float, said: str, shown: str) -> None:
    """And an hour sixty minutes (SI Brochure, table 8), in words and as a clock shows them; before
    a track's beginning with a sign."""
    assert length(seconds) == said and clock(seconds) == shown
    assert clock(-seconds) == f"-{shown}" or shown == "0:00" == clock(-seconds)


def test_the_head_of_a_listing_has_minutes_and_seconds(tmp_path: Path) -> None:
    """Forty bars of four beats at 120 are a minute and twenty seconds, a count-in of five is no bar
    of them; a form of one bar is written out like any other, a line of text for each pass."""
    said = checked(tmp_path, tempo=120, passes=40, count_in=0, ending="none")
    assert "40 bars, 1:20" in said
    assert "40 bars, 1:30" in checked(tmp_path, tempo=120, passes=40, count_in=5, ending="none")
    one = heard(progression="I6", line="roots", passes=3, ending="none").score
    assert len(in_words(one).split("\n")) == 3


def test_what_a_silent_band_is_softer_by_is_not_said(tmp_path: Path) -> None:
    """A band that plays in the answers is 6 dB softer there where that is asked for; of a silent
    one that would mean nothing."""
    form = {"progression": "ii7 | V7 | I6 | %"}
    for band, softer in (("plays", True), ("silent", False)):
        said = checked(tmp_path, **form, gaps=f"{{call: 2, band: {band}, level: -6}}")
        assert ("6 dB softer" in said) is softer


def test_a_response_longer_than_a_form_of_one_call(tmp_path: Path) -> None:
    """A call as long as its form, answered by half as much again: that the answer ends in the
    middle of its chords is remarked on."""
    said = checked(tmp_path, progression="ii7 | V7", gaps="{call: 2, response: 3}")
    assert "responses of 3 bars don't fit over calls of 2 bars" in said


@pytest.mark.parametrize("command", ["serve", "play"])
@pytest.mark.parametrize(
    ("port", "may_be"), [(0, False), (1, True), (65_535, True), (65_536, False)]
)
def test_ports_have_sixteen_bits(tmp_path: Path, command: str, port: int, may_be: bool) -> None:
    """0 and 65,536 are no ports to serve on (RFC 9293, 3.1)."""
    done = CliRunner().invoke(main, [command, str(tmp_path / "nothing"), "--port", str(port)])
    assert done.exit_code == 2 and ("not in the range" not in done.output) is may_be


def test_messages_are_never_narrower_than_a_braille_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """On narrower terminals, too, lines are filled to 40 characters, the cells of the usual
    braille display (common practice)."""
    monkeypatch.setenv("COLUMNS", "12")
    said = Terminal()
    monkeypatch.setattr("sys.stderr", said)
    with pytest.raises(SystemExit):
        main(["check", " ".join("a" * 60)])
    lines = said.getvalue().strip("\n").split("\n")
    assert len(lines) > 2 and {39, 40} & {len(line) for line in lines}
    assert max(map(len, lines)) <= 40


@pytest.mark.parametrize("caret", [0, 3, 30, 70, 99])
def test_a_line_of_the_file_is_cut_round_its_caret(caret: int) -> None:
    """What the caret stands under is shown, over the caret, in a line of at most 40 characters;
    from its first character on where that leaves it in sight."""
    text = "".join(map(chr, range(0x3041, 0x3041 + 86))) + "".join(map(chr, range(0x41, 0x4F)))
    row, below = _wrapped(["    " + text, "    " + " " * caret + "^"], 40)
    assert len(row) <= 40 and row[below.index("^")] == text[caret]
    assert row[4] == text[0] or caret > 20
    whole = "    " + text[:36]
    assert next(_wrapped([whole, "    " + " " * 35 + "^"], 40)) == whole


@pytest.mark.parametrize(("more", "offered"), [(57, True), (58, False)])
def test_a_text_with_a_colon_is_offered_in_quotes(more: int, offered: bool) -> None:
    """Whole, where it has 60 characters at most: a longer one would hide what is to be done."""
    text = f"a: {'b' * more}"
    with pytest.raises(DrillError) as caught:
        parse_drill(f"title: {text}\nprogression: I\n")
    assert (f'title: "{text}"' in str(caught.value)) is offered
    assert offered or "the text in quotes" in str(caught.value)


@pytest.mark.parametrize("chords", [["ii7", "V7"], ["ii7", "V7", "I"]])
@pytest.mark.parametrize("sign", ["-", ","])
def test_what_divides_chords_is_said(chords: list[str], sign: str) -> None:
    """Where another sign does, it is pointed at, and the same chords are offered as they are
    written, two as well as more."""
    with pytest.raises(DrillError) as caught:
        parse_drill(f"progression: {sign.join(chords)}\n")
    said = str(caught.value)
    assert ":1:17:" in said and f'not by "{sign}"; allowed: {" | ".join(chords)}\n' in said


def test_a_key_to_look_at_that_is_none(tmp_path: Path) -> None:
    """`check --keys` refuses it as a drill would (exit code 2: `docs/building.md`)."""
    (tmp_path / "any.yaml").write_text("progression: I", "utf-8")
    done = CliRunner().invoke(main, ["check", str(tmp_path / "any.yaml"), "--keys", "H"])
    assert done.exit_code == 2 and '--keys H: "H" is no key' in done.stderr


@pytest.mark.parametrize("size", [100, 16_500, 300_000])
def test_a_tag_says_how_long_it_is(size: int) -> None:
    """In four bytes of seven bits, the head of ten bytes left out (ID3v2.3.0, 3.1)."""
    tag = id3_tag(Tags("Long", comment="x" * size), 60)
    one, two, three, four = tag[6:10]
    assert max(tag[6:10]) < 0x80
    assert len(tag) - 10 == ((one * 128 + two) * 128 + three) * 128 + four > size


# SoundFont 2.04, 8.1.2 (from memory).
GENERATORS = {
    "modEnvToPitch": 7, "initialFilterFc": 8, "pan": 17, "attackModEnv": 26, "holdModEnv": 27,
    "decayModEnv": 28, "sustainModEnv": 29, "attackVolEnv": 34, "holdVolEnv": 35, "decayVolEnv": 36,
    "sustainVolEnv": 37, "releaseVolEnv": 38, "instrument": 41, "keyRange": 43, "velRange": 44,
    "initialAttenuation": 48, "coarseTune": 51, "fineTune": 52, "sampleID": 53, "sampleModes": 54,
    "scaleTuning": 56, "exclusiveClass": 57, "overridingRootKey": 58,
}  # fmt: skip


def test_generators_have_their_numbers() -> None:
    """Those of the standard's list, and no other has one."""
    (table,) = (
        each for each in vars(soundfont_writer).values()
        if isinstance(each, Mapping) and "sampleID" in each
    )  # fmt: skip
    assert table == GENERATORS


def test_a_soundfont_names_its_version() -> None:
    """2.04 as two and four (SoundFont 2.04, 5.1: ifil), little-endian, before all texts."""
    info = soundfont_writer._info(soundfont_writer.Info("Any", "", "", "", ""))
    assert info[:12] == bytes.fromhex("6966696C 04000000 0200 0400")


def slowing() -> tuple[Chart, list[float], list[float]]:
    """A ballad with a tag: its chart, the tempos of the beats that slow down, and how long each
    beat lasts."""
    (chart,) = charts(drill_of({"progression": "ii7 | V7 | Imaj7 | %", "feel": "ballad",
                                "key_cycle": "C", "ending": "tag", "tempo": 60}))  # fmt: skip
    bars = [bar for bar in chart.bars if bar.slowing]
    places = [bar.start + beat for bar in bars for beat in range(4)]
    seconds = [chart.seconds_at(place) for place in [*places, bars[-1].end]]
    return (chart, [float(tempo) for bar in bars for tempo in bar.slowing],
            [after - one for one, after in pairwise(seconds)])  # fmt: skip


def test_a_beat_that_slows_lasts_as_its_tempo_says() -> None:
    """60 s over its beats a minute, each from where the one before it ends."""
    _, tempos, lengths = slowing()
    assert lengths == pytest.approx([60 / tempo for tempo in tempos], rel=1e-3)


def test_what_falls_between_beats_is_written_there() -> None:
    """Also where each beat is longer than the one before: no tick beside it (Standard MIDI Files
    1.0: ticks are parts of a quarter note, however long that is)."""
    chart, _, _ = slowing()
    ruler = Ruler(chart)
    places = [Fraction(half, 2) for half in range(2 * int(chart.bars[-1].end))]
    assert [ruler.tick(chart.seconds_at(each)) for each in places] == [e * TICKS for e in places]


def test_a_ritardando_brakes_as_runners_do() -> None:
    """The cube of the tempo falls by the same in each beat (Friberg & Sundberg, JASA 105:1469,
    1999, q = 3, from memory), down to the tempo of the held chord."""
    chart, tempos, _ = slowing()
    cubes = [60.0**3, *(tempo**3 for tempo in tempos)]
    falls = [one - after for one, after in pairwise(cubes)]
    assert falls == pytest.approx([falls[0]] * len(falls), rel=0.01)
    assert tempos[-1] == pytest.approx(float(chart.bars[-1].tempo), rel=0.01)


def test_one_voice_that_leaps_is_no_parallel() -> None:
    """Only two or more voices leap together (common practice: parallel motion needs two)."""
    assert not leap_together((48,), (60,)) and not leap_together((60,), (48,))
    assert leap_together((48, 55), (60, 67)) and not leap_together((48, 67), (60, 55))


def note(pitch: str, start: int, duration: int) -> Note:
    return Note(Fraction(start), Fraction(duration), Pitch.parse(pitch))


@pytest.mark.parametrize(
    ("melody", "beats"), [("F4", 1), ("Eb4", 1), ("D#4", 1), ("F#4", 4), ("E4", 4), ("D4", 4)]
)
def test_a_voice_sounds_until_a_semitone(melody: str, beats: int) -> None:
    """E over a melody's note that is struck a beat later: until there where it is a semitone away,
    else to its own end; beside one that sounds already, not at all."""
    alone = {"progression": "C6", "key_cycle": "C", "gaps": "none", "ending": "none"}
    chord = charts(drill_of(alone))[0].bars[-1].spans[0].chord
    assert chord
    for begun, until in ((1, beats), (-1, 0 if beats == 1 else beats)):
        line = (note(melody, begun, 3),)
        stroke = Beside(chord, Fraction(0), Fraction(4), Fraction(1), line, ())
        assert stroke.until_a_semitone(Pitch.parse("E4")) == until


def asked(*keys: int, bars: tuple[int, int] = (5, 8)) -> AskedResponse:
    notes = tuple(AskedNote(number, number + 0.5, key, "C3") for number, key in enumerate(keys))
    return AskedResponse("C major", *bars, 0.0, 8.0, notes)


@pytest.mark.parametrize(("free", "octave"), [(False, 0), (True, 12)])
def test_who_sings_in_any_octave_is_heard_in_one_more(free: bool, octave: int) -> None:
    """An octave is twelve semitones: so much further from what is asked, and no further, a voice
    may lie that is free in its octave."""
    reach = tables()["judge"]["beyond_semitones"] + octave
    found = [HeardNote(0, 1, 60 + way * (reach + over)) for way in (-1, 1) for over in (-0.4, 0.4)]
    kept = in_reach([asked(60)], found, Tuning(any_octave=free))
    assert [note.pitch for note in kept] == [60 - reach + 0.4, 60 + reach - 0.4]


@pytest.mark.parametrize("again", [True, False])
def test_a_response_goes_over_its_calls_chords_or_not(again: bool) -> None:
    """By the first of each in a pack's manifest; what is asked for without a call goes over its
    own."""
    chords = [["C6"], ["C6"] if again else ["F6"]]
    bars = [{"role": r, "chords": c} for r, c in zip(("call", "response"), chords, strict=True)]
    assert _repeats(bars) is again and _repeats(bars[1:])


@pytest.mark.parametrize("octaves", [-2, -1, 1, 2])
@pytest.mark.parametrize(("free", "kind"), [(False, "octave"), (True, "right")])
def test_an_octave_has_twelve_hundred_cents(octaves: int, free: bool, kind: str) -> None:
    """A note so far away is the same one in another octave, as exactly as it is met there."""
    for off in (-30, 0, 30):
        assert folded(1200 * octaves + off) == off
        assert pitch_kind(1200 * octaves + off, Tuning(any_octave=free)) == kind
        assert pitch_kind(1200 * octaves + 600 + off, Tuning(any_octave=free)) == "wrong"


def test_a_picture_has_the_bars_of_its_response() -> None:
    """Bars 5 to 8 are four, each with its number, between five lines."""
    drawn = picture(JudgedResponse(asked(48), (), (HeardNote(0, 1, 50.0),)), 0.0)
    assert drawn.count('class="bar"') == 5
    assert re.findall(r'y="11">(\d+)<', drawn) == ["5", "6", "7", "8"]


@pytest.mark.parametrize(("ending", "loops"), [("none", True), ("hold", False)])
def test_what_has_no_ending_goes_round(ending: str, loops: bool) -> None:
    """The page repeats a drill that is written as a loop, and no other."""
    score = heard(line="roots", ending=ending).score
    take = Take(score.chart, score, perform(score))
    stand = Stand("x", score.chart.keys, (take,))
    assert values.drill_values(stand, [[]], values.Sounds({}, 0.0), [])["loops"] is loops


def growing(keys: list[float], onset: float = 0.0) -> GrowingNote:
    """A note with a pitch in every frame from the sound's start on."""
    frames = list(range(len(keys)))
    return GrowingNote(0, onset, True, True, frames[-1], -10.0, keys, frames)


@pytest.mark.parametrize(("missing", "heard"), [(0, 40.0), (1, 52.0)])
def test_a_note_is_read_before_the_next_one_covers_it(missing: int, heard: float) -> None:
    """Where enough frames are read from a note alone (`alone_frames` in the tables), its pitch is
    that of these; with one fewer, the middle one of all."""
    rules, frame = tables()["notes"], tables()["sound"]["pitch"]["hop"] / tables()["sound"]["rate"]
    alone = notes._SETTLED + rules["alone_frames"] - missing
    note = growing([40.0] * alone + [52.0] * 40, onset=9.0)
    following = (alone - 1) * frame + rules["reach_ms"] / 1000 + frame / 2
    assert notes._pitch_before(note, following) == heard


def test_a_tone_that_is_approached_is_heard_before_a_pick_up() -> None:
    """For an eighth at least: the notes of a pick-up that would come before then are left out."""
    line = [replace(note("B2", 0, 1), mark="approach"), note("C3", 1, 3)]
    third, eighth = (replace(note("G3", 1, 1), start=1 + Fraction(1, n)) for n in (3, 2))
    *_, aim, after = kinds._led_up_to(line, [third, eighth])
    assert (aim.duration, after) == (Fraction(1, 2), eighth)

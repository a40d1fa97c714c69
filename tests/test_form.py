"""The form round the keys: what leads to a new key, and how the last pass ends."""

from __future__ import annotations

import io
import re
from pathlib import Path

import mido
import pytest
from music21 import note, roman, stream

from drillgen.arrange import arrange
from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill
from drillgen.lines.kinds import line
from drillgen.midi import midi_files
from drillgen.pack.settings import plan
from drillgen.performance import CHANNELS, perform
from tests.conftest import Run
from tests.sheet.written import read, sheets_of

KEYS = ["C", "F", "Bb", "F#"]


def chart_of(**drill: object) -> Chart:
    drill.setdefault("progression", "ii7 | V7 | Imaj7 | %")
    return charts(Drill.model_validate(drill))[0]


@pytest.mark.parametrize(("asked", "numerals"), [("ii-V", ["ii7", "V7"]), ("V7", ["V7"])])
def test_a_bar_leads_to_each_new_key(asked: str, numerals: list[str]) -> None:
    """Between two keys stands one bar of ii and V, or of V alone, of the new key, with the notes
    that music21 gives these chords there; before the first key there is none."""
    chart = chart_of(key_cycle=KEYS, key_change=asked)
    led = [bar for bar in chart.bars if bar.change]
    assert [str(chart.bars[bar.number + 1].key.tonic) for bar in led] == KEYS[1:]
    for bar, key in zip(led, KEYS[1:], strict=True):
        chords = [span.chord for span in bar.spans]
        assert sum(span.duration for span in bar.spans) == bar.length
        for chord, numeral in zip(chords, numerals, strict=True):
            expected = roman.RomanNumeral(numeral, key.replace("b", "-"))
            assert chord is not None
            names = {str(name).replace("b", "-") for name in chord.names}
            assert names == {pitch.name for pitch in expected.pitches}


@pytest.mark.parametrize("asked", ["note", "V7", "ii V"])
def test_each_new_key_has_its_starting_note(asked: str) -> None:
    """In the MIDI file, in the bar before each new key, the first note of that key's line sounds
    alone on a channel of its own; with the count-in's, there is one before every key."""
    chart = chart_of(key_cycle=KEYS, key_change=asked, count_in={"bars": 1, "starting_note": True})
    score = arrange(chart)
    part = score.part("line")
    assert part is not None
    firsts = []
    for number in range(len(KEYS)):
        bars = [bar for bar in chart.bars if bar.key_number == number and bar.role == "call"]
        firsts.append(next(n.pitch.midi for n in part.notes if n.start >= bars[0].start))
    file = mido.MidiFile(file=io.BytesIO(midi_files(perform(score), "drill", [()])[0]))
    told = [message.note for track in file.tracks for message in track
            if message.type == "note_on" and message.velocity
            and message.channel == CHANNELS["cue"]]  # fmt: skip
    assert told == firsts


def test_nothing_is_written_over_the_bar_between_keys() -> None:
    """The line is the same in every key, with a bar between or without; the band plays there."""
    with_bar = arrange(chart_of(key_cycle=KEYS, key_change="ii V", line="arpeggio"))
    without = arrange(chart_of(key_cycle=KEYS, line="arpeggio"))
    one, other = with_bar.part("line"), without.part("line")
    assert one is not None and other is not None
    assert [n.pitch for n in one.notes] == [n.pitch for n in other.notes]
    led = [bar for bar in with_bar.chart.bars if bar.change]
    assert not [n for n in one.notes for bar in led if bar.start <= n.start < bar.end]
    comping = with_bar.part("comping")
    assert comping is not None
    assert all(any(b.start <= n.start < b.end for n in comping.notes) for b in led)


def test_the_sheet_says_where_it_leads() -> None:
    """Over the bar between two keys stands the next one, with its starting note as the bass reads
    it, and it is a rest; the head says what is heard there."""
    found = sheets_of(key_cycle=KEYS[:2], key_change="ii V", gaps="off")[1].handout
    assert "before each new key its starting note over its ii V" in found.facts
    first = list(read(found.sections[0].musicxml).parts[0].getElementsByClass("Measure"))
    assert [each.content for each in first[-1].getElementsByClass("TextExpression")] == [
        "to F major, from B♭"
    ]
    assert not first[-1].getElementsByClass(note.Note) and first[-1].getElementsByClass(note.Rest)


@pytest.mark.parametrize(
    ("form", "last"),
    [
        ("Imaj7 vi7 | ii7 V7 | Imaj7 VI7 | ii7 V7", ["Fmaj7", "Fmaj7"]),
        ("I7 | IV7 | I7 / / VI7 | ii7 V7", ["F7", "F7"]),
        ("ii7 | V7 | Imaj7 | %", ["Fmaj7", "Fmaj7"]),
        ("ii7 | V7 | V7 Imaj7 | VI7", ["C7 Fmaj7", "Fmaj7"]),
    ],
)
def test_the_last_time_stays_on_the_tonic(form: str, last: list[str]) -> None:
    """With `ending: home` the turnaround after the last I is replaced by it in the last pass of the
    last key alone (common practice), call and response alike."""
    chart = chart_of(progression=form, key_cycle=["C", "F"], passes=2, ending="home")
    plain = chart_of(progression=form, key_cycle=["C", "F"], passes=2)
    final = [bar for bar in chart.bars if bar.pass_number == 4 and bar.form_bar >= 2]
    for bar in final:
        told = " ".join(span.chord.text for span in bar.spans if span.chord)
        assert told == last[bar.form_bar - 2]
        assert (bar.spans[0].start, bar.spans[-1].end) == (bar.start, bar.end)
    others = [
        bar.number
        for bar in chart.bars
        if bar.role != "ending" and (bar.pass_number < 4 or bar.form_bar < 2)
    ]
    assert [chart.bars[n].spans for n in others] == [plain.bars[n].spans for n in others]


CODA = {"A": {"bars": "I6 | vi7 | ii7 | V7", "to_coda": 2}, "coda": "iii7 | I6"}


@pytest.mark.parametrize(
    ("notes", "last"), [("1:w | 2 | 3 | 4 | 5 | 6", "1 2 5 6"), ("1:w | 2 | 3 | 4", "1 2 1 2")]
)
def test_a_melody_goes_to_the_coda(notes: str, last: str) -> None:
    """The last pass leaves out the notes between; they may go on with those of the coda, and begin
    again there where they do not. A tag is the end of that pass, and stands in no ending."""
    drill = {"progression": CODA, "line": {"kind": "written", "notes": notes}, "passes": 2}
    chart = chart_of(key_cycle=["C", "F"], gaps="off", ending="tag", **drill)
    part = line(chart)
    assert part is not None
    degrees = " ".join(each.mark for each in part.notes[:-1])
    assert degrees.startswith(f"1 2 3 4 {last} 1 2 3 4 {last} {last}")
    tag = [bar for bar in chart.bars if bar.tag]
    assert [str(span.chord) for bar in tag for span in bar.spans] == ["F6", "Dm7", "Am7", "F6"]
    assert not any(bar.ending for bar in tag)


def test_calls_and_responses_go_on_into_the_coda() -> None:
    """They trade over the bars that are played, and each bar's chord leads to the next that is."""
    trading = {"call": 2, "response": 2, "harmony": "continues"}
    chart = chart_of(progression=CODA, key_cycle="C", gaps=trading, passes=2, ending="none")
    played = [bar for bar in chart.bars if bar.form_bar >= 0]
    assert "".join(bar.role[0] for bar in played) == "ccrr" * 2
    assert [str(bar.spans[0].leads_to) for bar in played] == (
        ["Am7", "Dm7", "G7", "C6", "Am7", "Em7", "C6", "Am7"]
    )


@pytest.mark.parametrize("meter", ["4/4", "3/4"])
@pytest.mark.parametrize(("key", "numerals"), [("Bb", ["iii7", "V7/ii", "ii7", "V7"])])
def test_a_tag_of_iii_vi_ii_v_twice(meter: str, key: str, numerals: list[str]) -> None:
    """After the last pass the turnaround comes twice, two chords a bar, with the notes that music21
    gives them (VI as the dominant of ii), and then the chord; the line goes on over it where it
    follows the chords and rests where it has notes of its own."""
    drill = {"key_cycle": ["C", key], "ending": "iii-VI-ii-V", "gaps": "off", "meter": meter,
             "feel": "jazz waltz" if meter == "3/4" else "swing"}  # fmt: skip
    chart = chart_of(**drill, line="arpeggio")
    tag = [bar for bar in chart.bars if bar.tag]
    chords = [span.chord for bar in tag for span in bar.spans if span.chord]
    assert len(tag) == 4 and len(chords) == 8 and chart.ending[0].number == tag[-1].number + 1
    for chord, numeral in zip(chords, numerals * 2, strict=True):
        expected = roman.RomanNumeral(numeral, key.replace("b", "-"))
        names = {str(name).replace("b", "-") for name in chord.names}
        assert names == {pitch.name for pitch in expected.pitches}
    for kind, plays in (("arpeggio", True), ("walking", True), ("phrases", False)):
        whole = chart_of(**drill | ({} if plays else {"gaps": 2}), line=kind)
        part = line(whole)
        assert part is not None
        start, end = (bar for bar in whole.bars if bar.tag), whole.ending[0].start
        first = next(start).start
        assert any(first <= note.start < end for note in part.notes) == plays


@pytest.mark.parametrize(
    ("progression", "said"),
    [("iiø7 | V7b9 | i6 | %", True), ("iiø7 | V7b9", True), ("ii7 | V7 | Imaj7 | %", False)],
)
@pytest.mark.parametrize("cycle", ["fourths", "fifths", "[C, G]", "{start: C, move: -2}"])
def test_minor_numerals_without_a_key_are_named(
    drillgen: Run, tmp_path: Path, progression: str, said: bool, cycle: str
) -> None:
    """`check` says that a major key stands over a minor progression, whatever round of keys is
    asked for, and what to write; with that key written it says nothing."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(f"progression: {progression}\nkey_cycle: {cycle}\n", "utf-8")
    shown = drillgen("check", drill).stdout
    assert bool(re.search(r"note: C major .* write key: C minor", shown)) == said
    assert "note:" not in drillgen("check", drill, "--key", "C minor").stdout


def test_an_unknown_key_change_is_refused(drillgen: Run, tmp_path: Path) -> None:
    """With what is allowed."""
    drill = tmp_path / "drill.yaml"
    drill.write_text("progression: ii7 | V7\nkey_change: ii-VI\n", "utf-8")
    done = drillgen("check", drill)
    assert done.returncode == 2 and "drill.yaml:2:13" in done.stderr
    assert "note, V7, ii V, none" in done.stderr and "Traceback" not in done.stderr


WALKED = """\
progression: ii7 V7 | iii7 VI7b9 | ii7 V7 | Imaj7 | ii7 V7 | iii7 VI7b9 | ii7 V7 | Imaj7
key_cycle: [C, Ab]
line: walking
gaps: off
sheet: {fingering: true}
"""


def fingered(shown: str) -> list[tuple[int, str]]:
    """Each bar of a fingering as text, with the bar's number, its first position left out."""
    under = shown.partition("Fingering")[2]
    rows = re.findall(r"^ +(\d+)  \S+ +(?:\[\S+\] )?(.*)$", under, re.MULTILINE)
    return [(int(number), words) for number, words in rows]


@pytest.mark.parametrize(("bars", "repeat"), [("5-6", 8), ("12 to 15", 2), ("3", 1)])
def test_bars_taken_out_have_the_same_notes_and_fingering(
    drillgen: Run, tmp_path: Path, bars: str, repeat: int
) -> None:
    """`--bars` and `--repeat` play just these bars, as often, each time with the notes, strings and
    fingers that the whole line has there, and with the same numbers."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(WALKED, "utf-8")
    whole = fingered(drillgen("check", drill).stdout)
    done = drillgen("check", drill, "--bars", bars, "--repeat", str(repeat))
    assert done.returncode == 0, done.stderr
    first, last = int(re.findall(r"\d+", bars)[0]), int(re.findall(r"\d+", bars)[-1])
    assert fingered(done.stdout) == whole[first - 1 : last] * repeat


def test_bars_taken_out_are_printed_as_in_the_whole_sheet() -> None:
    """music21 reads the same notes and lengths in these bars as in the whole sheet, printed once
    between repeats; the head says which bars they are and how often they are played."""
    drill = {"progression": "ii7 | V7 | Imaj7 | VI7b9", "key_cycle": ["Bb", "E"], "gaps": "off",
             "line": {"kind": "scale pattern", "note": "eighth"}}  # fmt: skip
    whole = sheets_of(**drill)[1].handout
    taken = sheets_of(**drill, bars="6-7", repeat=8)[1].handout
    (part,) = read(taken.musicxml).parts
    (own,) = read(whole.musicxml).parts
    measures = list(part.getElementsByClass("Measure"))
    expected = list(own.getElementsByClass("Measure"))[5:7]
    assert [(m.number, shown(m)) for m in measures] == [(m.number, shown(m)) for m in expected]
    assert "bars 6–7, 8 times" in taken.facts
    assert [section.label for section in taken.sections] == ["E major"]


def shown(measure: stream.Measure) -> list[tuple[str, float]]:
    notes = measure.recurse().getElementsByClass(note.Note)
    return [(each.nameWithOctave, float(each.quarterLength)) for each in notes]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--bars", "8-9"], ["two keys", "1-8"]),
        (["--bars", "17"], ["16 bars", "1 to 16"]),
        (["--bars", "last"], ["names no bars", "5-6"]),
        (["--bars", "6-5"], ["bar 5 comes before bar 6", '"5-6"']),
        (["--repeat", "8"], ["bars: 5-6", "passes"]),
    ],
)
def test_bars_that_are_not_there(
    drillgen: Run, tmp_path: Path, options: list[str], words: list[str]
) -> None:
    """Bars beyond the track, in two keys, backwards or unreadable are refused with what is
    allowed, and so is a number of times for nothing."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(WALKED, "utf-8")
    done = drillgen("check", drill, *options)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert all(word in done.stderr for word in words), done.stderr


def test_files_of_bars_taken_out_say_which() -> None:
    """Their names have the key and the bars, so that two builds of one drill stand side by side."""
    names = []
    for bars in ("5-6", "10"):
        drill = Drill.model_validate(
            {"progression": "ii7 V7 | Imaj7", "key_cycle": ["C", "Ab"], "passes": 4, "bars": bars,
             "gaps": "off"})  # fmt: skip
        names += [track.name for track in plan([drill], ["Mine"])]
    assert names == ["Mine - C, bars 5-6 - 80", "Mine - Ab, bars 10 - 80"]


def test_bars_in_which_the_band_is_silent(drillgen: Run, tmp_path: Path) -> None:
    """A bar of responses taken out, where nobody plays: its pack is made all the same."""
    drill = tmp_path / "silent.yaml"
    drill.write_text(
        "progression: ii7 | V7 | Imaj7 | %\nkey_cycle: C\ntempo: 200\nline: off\n"
        "gaps: {call: 2, response: 2, band: silent}\nbars: 3\n",
        "utf-8",
    )
    done = drillgen("build", drill, "-o", tmp_path / "pack", "--no-page")
    assert done.returncode == 0, done.stderr
    [file] = (tmp_path / "pack").rglob("*.mid")
    assert mido.MidiFile(file).length > 0

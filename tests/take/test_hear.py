"""`drillgen hear`: a recorded answer in, verdicts out."""

from __future__ import annotations

import json
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from lxml import html

from drillgen.take.asked import named
from tests.conftest import SMALL, Built, run_command
from tests.take.sounds import RATE, Sound, Tone, hertz, line_of, plucked, written

PASS = 8.0  # seconds: four bars at 120
SLIPS = {1: "wrong", 2: "late", 3: "sharp", 5: "missing"}  # of the notes of all responses, in order


@dataclass(frozen=True)
class Answer:
    """A recording of both responses of `SMALL`, and where in the track it begins."""

    sound: Sound
    at: float
    asked: list[tuple[float, float, int]]


@pytest.fixture(scope="module")
def answer(pack: Built) -> Answer:
    """The calls, as the pack's MIDI file has them, played back a pass later, with slips."""
    track = pack.manifest["tracks"][0]
    bars = track["bars"]
    line = line_of(pack.folder / track["files"]["midi with line"])
    calls = [bar["start"] for bar in bars if bar["role"] == "call"]
    asked = [
        (start + PASS, end + PASS, key)
        for start, end, key in line
        if any(call - 0.05 <= start < call + 1.95 for call in calls)
    ]
    at = asked[0][0] - 1.5
    tones = []
    for number, (start, end, key) in enumerate(asked):
        slip = SLIPS.get(number, "")
        if slip == "missing":
            continue
        pitch = key + {"wrong": 2.0, "sharp": 0.36}.get(slip, 0.0)
        late = 0.11 if slip == "late" else 0.0
        tones.append(Tone(start + late - at, end - start, hertz(pitch)))
    return Answer(plucked(tones, asked[-1][1] - at + 0.5), at, asked)


def hear(where: Path, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return run_command("hear", *arguments, "-o", where / "heard")


def told(where: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((where / "heard" / "hear.json").read_text("utf-8"))
    return found


@pytest.mark.parametrize("ending", ["wav", "flac", "mp3", "ogg"])
def test_slips_are_found(pack: Built, answer: Answer, tmp_path: Path, ending: str) -> None:
    """Whatever the file's format, each planted slip is named as what it is, every other note is
    right, and the place in the track is found to a twentieth of a second."""
    take = written(tmp_path / f"take.{ending}", answer.sound)
    done = hear(tmp_path, pack.folder, take)
    assert done.returncode == 0, done.stderr
    (recording,) = told(tmp_path)["recordings"]
    notes = [note for response in recording["responses"] for note in response["notes"]]
    assert [note["key"] for note in notes] == [key for _, _, key in answer.asked]
    assert {i: n["verdict"] for i, n in enumerate(notes) if n["verdict"] != "right"} == SLIPS
    assert abs(recording["at"] - answer.at) < 0.05
    assert recording["summary"]["asked"] == len(answer.asked)
    assert recording["summary"]["right"] == len(answer.asked) - 2


def test_a_drill_asks_for_what_its_pack_does(pack: Built, answer: Answer, tmp_path: Path) -> None:
    """Named by its file, the drill gives the verdicts that its pack gives."""
    drill = tmp_path / "small.yaml"
    drill.write_text(SMALL, "utf-8")
    take = written(tmp_path / "take.flac", answer.sound)
    verdicts = []
    for source in (pack.folder, drill):
        assert hear(tmp_path, source, take).returncode == 0
        (recording,) = told(tmp_path)["recordings"]
        verdicts.append(
            [
                (note["name"], note["verdict"], note["heard"] and round(note["heard"]["pitch"], 1))
                for response in recording["responses"]
                for note in response["notes"]
            ]
        )
    assert verdicts[0] == verdicts[1]


def test_what_is_said_and_shown(pack: Built, answer: Answer, tmp_path: Path) -> None:
    """The terminal names the slips in words; the page shows each asked note with words on touch,
    loads nothing, and says that it errs and to take care; two recordings make a table."""
    one, two = (written(tmp_path / f"{name}.flac", answer.sound) for name in ("ana", "ben"))
    done = hear(tmp_path, pack.folder, one, two)
    assert done.returncode == 0, done.stderr
    for said in ("was not heard", "ms late", "cents sharp", "was heard where", "Next:"):
        assert said in done.stdout
    rows = [row.split()[:2] for row in done.stdout.splitlines()[1:3]]
    assert rows == [["1", "ana.flac"], ["2", "ben.flac"]]
    text = (tmp_path / "heard" / "hear.html").read_text("utf-8")
    page = html.fromstring(text)
    shown = page.xpath("//svg//g[title]")
    assert len(page.xpath("//svg//rect[starts-with(@class, 'asked')]")) == 2 * len(answer.asked)
    assert all(each.get("tabindex") == "0" for each in shown)
    assert {"errs", "break at least every half hour"} <= {
        word for word in ("errs", "break at least every half hour") if word in text
    }
    assert not page.xpath("//@src | //link | //img")


def test_weeks_show_what_is_solid(pack: Built, answer: Answer, tmp_path: Path) -> None:
    """Of recordings one after the other, terminal and page show for each key and each bar of the
    call how many notes were right, and mark what has become solid; the file has the bars."""
    planted, weeks = {1, 5}, []
    for name, wrong in (("week-1", planted), ("week-2", set())):
        tones = [
            Tone(start - answer.at, end - start, hertz(key + 2 * (number in wrong)))
            for number, (start, end, key) in enumerate(answer.asked)
        ]
        sound = plucked(tones, answer.asked[-1][1] - answer.at + 0.5)
        weeks.append(written(tmp_path / f"{name}.flac", sound))
    done = hear(tmp_path, pack.folder, *weeks)
    assert done.returncode == 0, done.stderr

    def expected(name: str, numbers: list[int]) -> list[str]:
        """Its name; right of asked in both weeks, nine of ten marked."""
        count, wrong = len(numbers), len(planted & {*numbers})
        first = f"{count - wrong}/{count}"
        return [name, first if wrong > 0.1 * count else f"{first} ●", f"{count}/{count} ●"]

    half, beat = len(answer.asked) // 2, PASS / 16
    bars: dict[int, list[int]] = {}
    for number, (start, _, _) in enumerate(answer.asked):
        since = start - answer.asked[0 if number < half else half][0]
        bars.setdefault(int((since + beat / 4) // (4 * beat)), []).append(number)
    rows = [
        expected("C", [*range(half)]),
        expected("Ab", [*range(half, 2 * half)]),
        *(expected(f"bar {bar + 1}", numbers) for bar, numbers in sorted(bars.items())),
    ]
    page = html.fromstring((tmp_path / "heard" / "hear.html").read_text("utf-8"))
    lines = page.xpath("//table[caption]//tr")
    assert [[cell.text_content() for cell in line.xpath("td")] for line in lines[1:]] == rows
    printed = [line.split() for line in done.stdout.splitlines()]
    assert all(" ".join(row).split() in printed for row in rows)
    first, second = told(tmp_path)["recordings"]
    for recording, wrong in ((first, planted), (second, set())):
        assert [each["bar"] for each in recording["bars"]] == [bar + 1 for bar in sorted(bars)]
        assert [each["asked"] - each["right"] for each in recording["bars"]] == [
            len(wrong & {*numbers}) for _, numbers in sorted(bars.items())
        ]


def test_an_octave_is_right_where_it_is_sung(tmp_path: Path) -> None:
    """Where the line is asked of a voice, an answer an octave higher has every note right."""
    drill = tmp_path / "sung.yaml"
    drill.write_text(
        "progression: ii7 | V7 | Imaj7 | %\nkey_cycle: [C]\ntempo: 120\ntiming: exact\n"
        "line: {kind: arpeggio, instrument: voice}\n",
        "utf-8",
    )
    done = run_command("build", drill, "-o", tmp_path / "pack", "--no-sheets", "--no-page")
    assert done.returncode == 0, done.stderr
    midi = next((tmp_path / "pack").rglob("*with line.mid"))
    line = [note for note in line_of(midi) if note[0] < 4 + PASS - 0.05]
    tones = [Tone(start - 3, end - start, hertz(key + 12)) for start, end, key in line]
    take = written(tmp_path / "sung.wav", plucked(tones, PASS + 2))
    done = hear(tmp_path, drill, take)
    assert done.returncode == 0, done.stderr
    summary = told(tmp_path)["recordings"][0]["summary"]
    assert summary["right"] == summary["asked"] == len(line)


def _no_sound(path: Path) -> None:
    """A video of one second without sound."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=10)
        stream.width = stream.height = 64
        for _ in range(10):
            out.mux(stream.encode(av.VideoFrame(64, 64, "yuv420p")))
        out.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("nowhere.wav", "there is no such file"),
        ("folder.wav", "is a folder"),
        ("words.txt", "no recording that can be read"),
        ("empty.wav", "no recording that can be read"),
        ("silent.wav", "is silent"),
        ("short.wav", "too short"),
        ("long.flac", "minutes long"),
        ("film.mp4", "has no sound in it"),
        ("noise.wav", "no note can be made out"),
        ("other.wav", "does not sound like the drill"),
        ("one.wav", "0 of 6 notes fit"),
    ],
)
def test_what_cannot_be_heard(pack: Built, tmp_path: Path, name: str, said: str) -> None:
    """What cannot be judged is refused in one sentence that names the file; nothing is written."""
    path = tmp_path / name
    rng = np.random.default_rng(2)
    sharp = [Tone(0.5 + 0.7 * i, 0.5, hertz(46)) for i in range(6)]
    melody = [Tone(0.4 + 0.31 * i, 0.25, hertz(52 + 5 * i % 7)) for i in range(40)]
    make = {
        "folder.wav": path.mkdir,
        "words.txt": lambda: path.write_text("ii7 | V7 | Imaj7\n"),
        "empty.wav": path.touch,
        "silent.wav": lambda: written(path, np.zeros(5 * RATE)),
        "short.wav": lambda: written(path, np.full(RATE // 4, 0.1)),
        "long.flac": lambda: written(path, np.zeros(31 * 60 * 8000, np.int16), 8000),
        "film.mp4": lambda: _no_sound(path),
        "noise.wav": lambda: written(path, rng.normal(0, 0.1, 4 * RATE)),
        "other.wav": lambda: written(path, plucked(melody, 14)),
        "one.wav": lambda: written(path, plucked(sharp, 5)),
    }
    make.get(name, lambda: None)()
    done = hear(tmp_path, pack.folder, path)
    assert done.returncode == 2, done.stdout
    assert name in done.stderr and said in done.stderr and "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "heard").exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--key", "A"], "allowed: C major, Ab major"),
        (["--key", "H"], "not a key"),
        (["--tempo", "96"], "allowed: 120"),
        (["--track", "nine"], "allowed: "),
        (["--at", "soon"], "1:05"),
        (["--at", "9:59"], "nothing is asked from 9:59"),
    ],
)
def test_what_cannot_be_chosen(
    pack: Built, answer: Answer, tmp_path: Path, options: list[str], said: str
) -> None:
    """A choice that the pack does not have is refused with those that it has."""
    take = written(tmp_path / "take.wav", answer.sound)
    done = hear(tmp_path, pack.folder, take, *options)
    assert done.returncode == 2 and said in done.stderr and options[0] in done.stderr


@pytest.mark.parametrize(
    ("kind", "said"),
    [("dead side", "only its left side"), ("clipped", "clipped"), ("8 kHz", "8 kHz")],
)
def test_what_is_heard_all_the_same(
    pack: Built, answer: Answer, tmp_path: Path, kind: str, said: str
) -> None:
    """A recording with a dead side, clipped, or with a telephone's sampling rate is judged, and
    what is wrong with it is said; the missing note is still the one that is missing."""
    sound, rate = answer.sound, RATE
    if kind == "dead side":
        sound = np.stack([sound, np.zeros_like(sound)], axis=1)
    elif kind == "clipped":
        sound = np.clip(sound * 6, -1, 1)
    else:
        tones = np.interp(np.arange(0, len(sound), RATE / 8000), np.arange(len(sound)), sound)
        sound, rate = tones, 8000
    done = hear(tmp_path, pack.folder, written(tmp_path / "take.wav", sound, rate))
    assert done.returncode == 0, done.stderr
    assert said in done.stdout
    (recording,) = told(tmp_path)["recordings"]
    notes = [note for response in recording["responses"] for note in response["notes"]]
    assert [i for i, note in enumerate(notes) if note["verdict"] == "missing"] == [5]


def test_a_pack_that_is_not_there(tmp_path: Path) -> None:
    """Of a name that nothing has, all is said that might be meant."""
    done = hear(tmp_path, "no-such-pack", tmp_path / "take.wav")
    assert done.returncode == 2
    assert "allowed: a preset (drillgen presets list), a file or a pack" in done.stderr


def test_a_choice_narrows_what_is_judged(pack: Built, answer: Answer, tmp_path: Path) -> None:
    """`--key` leaves the responses in that key; `--at`, said to a second, and `--tempo` change
    nothing where they are true."""
    take = written(tmp_path / "take.wav", answer.sound)
    at = f"0:{round(answer.at):02d}"
    done = hear(tmp_path, pack.folder, take, "--key", "Ab", "--at", at, "--tempo", "120")
    assert done.returncode == 0, done.stderr
    (recording,) = told(tmp_path)["recordings"]
    assert [each["key"] for each in recording["keys"]] == ["Ab major"]
    assert abs(recording["at"] - answer.at) < 0.05
    notes = [note["verdict"] for each in recording["responses"] for note in each["notes"]]
    assert notes == ["right", "missing", "right", "right"]


def test_free_answers_are_not_judged(answer: Answer, tmp_path: Path) -> None:
    """Where call and response trade through the form, it is said that the answer is free."""
    drill = tmp_path / "free.yaml"
    drill.write_text("progression: ii7 | V7\ngaps: {call: 1, response: 1, harmony: continues}\n")
    done = hear(tmp_path, drill, written(tmp_path / "take.wav", answer.sound))
    assert done.returncode == 2 and "free" in done.stderr


def test_another_file_is_not_replaced(pack: Built, answer: Answer, tmp_path: Path) -> None:
    """A `hear.json` that is another program's stays as it is; an older one of ours is replaced."""
    take = written(tmp_path / "take.wav", answer.sound)
    (tmp_path / "heard").mkdir()
    theirs = tmp_path / "heard" / "hear.json"
    theirs.write_text('{"ears": 2}')
    done = hear(tmp_path, pack.folder, take)
    assert done.returncode == 2 and "not ours" in done.stderr
    assert theirs.read_text() == '{"ears": 2}'
    theirs.write_text('{"program": "drillgen"}')
    assert hear(tmp_path, pack.folder, take).returncode == 0
    assert told(tmp_path)["recordings"]


@pytest.mark.parametrize(
    ("key", "names"),
    [
        ("C major", "C Db D Eb E F F# G Ab A Bb B"),
        ("Ab major", "C Db D Eb E F Gb G Ab A Bb B"),
        ("Gb major", "C Db D Eb E F Gb G Ab A Bb Cb"),
        ("E major", "C C# D D# E F F# G G# A A# B"),
    ],
)
def test_what_nobody_asked_for_is_named_plainly(key: str, names: str) -> None:
    """A heard note has the key's own name, else a plain one: no double flat, no Fb without a reason
    (common practice)."""
    own = [re.sub(r"-?\d", "", named(midi, key)) for midi in range(60, 72)]
    assert own == names.split()

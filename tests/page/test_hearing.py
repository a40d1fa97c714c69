"""Answers on the page: recorded or by the microphone, heard, judged, kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from drillgen.page.html import ear
from drillgen.take import AskedNote, AskedResponse, HeardNote, tables
from drillgen.take.judge import Tuning, judge
from drillgen.take.listen import RATE as HEARD_AT
from drillgen.take.notes import listen
from tests.conftest import chromium, run_command
from tests.page.answers import RATE, Played, as_asked, asked_of, bowed, plucked, written
from tests.page.conftest import serving
from tests.page.pages import Made, View
from tests.page.test_page import barriers_of_both_schemes

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def with_ear(browser: Browser, asking: Made) -> Iterator[View]:
    """A page of which nothing is touched, with the code of its ear (`ear`)."""
    with View(browser, asking.one_file.as_uri(), tapped=True) as view:
        view.page.add_script_tag(content=ear()["code"])
        yield view


def opened(view: View) -> View:
    view.page.click("#answers summary")
    return view


_MARKS = """all => all.map(each =>
    [...each.querySelectorAll('[aria-hidden]')].map(mark => mark.textContent))"""


def marks(view: View) -> list[list[str]]:
    """The sign and name of each asked note, the first answer first."""
    found: list[list[str]] = view.page.eval_on_selector_all(
        "#judged .marks",
        _MARKS,
    )
    return found[::-1]


def test_a_recording_is_judged_note_by_note(browser: Browser, asking: Made, tmp_path: Path) -> None:
    """From disk, a recording that begins in the track is laid on it by itself: those of its notes
    that were played wrong, early, sharp and not at all are named, and no other."""
    responses = asked_of(asking.takes[0][0])
    notes: list[Played | None] = list(as_asked(responses))
    for place, change in _PLANTED.items():
        notes[place] = change(notes[place])
    sound = plucked([(a - 2, b - 2, p) for a, b, p in filter(None, notes)], responses[-1].end - 1)
    with View(browser, asking.one_file.as_uri()) as view:
        opened(view).page.set_input_files("#recording", written(tmp_path / "a.wav", sound))
        view.until("listening", "heard at 100 beats a minute")
        signs = [mark[0] for answer in marks(view) for mark in answer]
        wanted = ["●"] * len(notes)
        for place, sign in zip(_PLANTED, "✕◀▲○", strict=True):
            wanted[place] = sign
        assert signs == wanted
        assert [len(answer) for answer in marks(view)] == [len(each.notes) for each in responses]
        assert view.problems == []


# Of notes before which there is room.
_PLANTED: dict[int, Any] = {
    1: lambda note: (note[0], note[1], note[2] + 2),
    4: lambda note: (note[0] - 0.11, note[1] - 0.11, note[2]),
    9: lambda note: (note[0], note[1], note[2] + 0.36),
    13: lambda _: None,
}


def test_the_page_judges_as_the_command_does(with_ear: View) -> None:
    """Of the same asked and heard notes the page's ear makes the same verdicts, milliseconds and
    cents as `drillgen.take.judge`, whatever was heard."""
    made = [made_up(Random(seed)) for seed in range(60)]
    judged_there = f"all => all.map(given => ear.judge(...given, {json.dumps(ear()['tables'])}))"
    found = with_ear.page.evaluate(judged_there, [as_told(*each) for each in made])
    for page, (response, heard, tuning) in zip(found, made, strict=True):
        own = judge(response, heard, tuning)
        assert (page["right"], len(page["extra"])) == (own.right, len(own.extra))
        for each, verdict in zip(page["verdicts"], own.verdicts, strict=True):
            assert each["verdict"] == verdict.verdict
            if verdict.heard:
                assert each["ms"] == pytest.approx(verdict.ms)
                assert each["cents"] == pytest.approx(verdict.cents)
                assert each["length"] == verdict.length


def as_told(response: AskedResponse, heard: list[HeardNote], tuning: Tuning) -> list[Any]:
    """The same for the page."""
    asked = [[note.start, note.end, note.key, note.name] for note in response.notes]
    own = {"cents": tuning.cents, "octaves": tuning.octaves, "anyOctave": tuning.any_octave}
    return [asked, [{"start": n.start, "end": n.end, "pitch": n.pitch} for n in heard], own]


def made_up(random: Random) -> tuple[AskedResponse, list[HeardNote], Tuning]:
    """A response, and notes that are near its own, elsewhere, too many or too few."""
    starts = sorted(random.uniform(0, 4) for _ in range(random.randint(1, 7)))
    notes = tuple(AskedNote(at, at + 0.3, random.randint(30, 50), "C2") for at in starts)
    heard = [
        HeardNote(
            start := note.start + random.gauss(0, 0.1),
            start + random.uniform(0.1, 0.5),
            note.key + random.choice([0, 0, 0, 12, 2, -1]) + random.gauss(0, 0.3),
        )
        for note in notes * 2
        if random.random() < 0.5
    ]
    tuning = Tuning(random.uniform(-30, 30), random.choice([0, 1]), random.random() < 0.3)
    ordered = sorted(heard, key=lambda note: note.start)
    return AskedResponse("C major", 1, 2, 0.0, 4.0, notes), ordered, tuning


def test_both_say_the_same_of_a_recording(browser: Browser, asking: Made, tmp_path: Path) -> None:
    """Of two recordings, with notes that are wrong, sharp and left out, the page and `drillgen
    hear` say the same of every note but one: they listen alike, but bring the file to 16 kHz each
    by resamplers of their own."""
    notes = as_asked(asked_of(asking.takes[0][0]))
    files = [_flawed(notes, Random(seed), tmp_path / f"{seed}.wav") for seed in (1, 2)]
    done = run_command("hear", asking.folder, *files, "--track", "Answers", "-o", tmp_path)
    assert done.returncode == 0, done.stderr
    heard = json.loads((tmp_path / "hear.json").read_text("utf-8"))["recordings"]
    names = {value["sign"]: name for name, value in tables()["verdicts"].items()}
    with View(browser, asking.one_file.as_uri()) as view:
        opened(view)
        for file, recording in zip(files, heard, strict=True):
            by_command = [n["verdict"] for each in recording["responses"] for n in each["notes"]]
            view.evaluate("listening.textContent = ''")
            view.page.set_input_files("#recording", file)
            view.until("listening", "heard at")
            by_page = [names[mark[0]] for answer in marks(view) for mark in answer]
            same = sum(a == b for a, b in zip(by_command, by_page, strict=True))
            assert same >= len(notes) - 1, file
            assert {"right", "wrong", "missing", "sharp"} <= {*by_command}


def _flawed(notes: list[Played], random: Random, file: Path) -> Path:
    """A recording of notes that are in part wrong, sharp and left out."""
    played = [
        (start + late, end + late, pitch + random.choice([0, 0, 0, 0, 2, -1, 0.4]))
        for start, end, pitch in notes
        if random.random() < 0.9 and (late := random.gauss(0, 0.02)) < 1
    ]
    return written(file, plucked(played, notes[-1][1] + 1))


def test_a_slow_bow_is_heard_alike(with_ear: View) -> None:
    """Bowed notes, a tenth of a second from nothing to their level and each into the next one: on
    the page as in the command mir_eval.transcription (onsets within 50 ms of where a note begins,
    pitches within 50 cents) gives an F measure of .93, the goal for bows.  Both hear the same
    notes, all but one at the same time, to a hop of 10 ms and 5 cents: how a slow note grows is
    read by thresholds, which two resamplers may pass a moment apart."""
    notes, at = [], 0.4
    for step in (36, 43, 40, 47, 45, 41, 38, 45, 43, 40, 36, 41):
        length = 0.25 if step in (40, 45) else 0.5
        notes.append((at, at + length, float(step)))
        at += length
    own = [(n.start, n.end, n.pitch) for n in listen(bowed(notes, at + 0.5, HEARD_AT))]
    with_ear.page.evaluate(_HEARD_IN)
    sound = bowed(notes, at + 0.5, PAGE_AT).round(5).tolist()
    read = f"heardIn({json.dumps(sound)}, {json.dumps(tables())})"
    page = with_ear.evaluate(read)
    for heard in (own, page):
        assert f_measure(notes, heard) >= 0.93
    assert len(own) == len(page)
    apart = [
        abs(start - begun) > 0.0101 or abs(pitch - other) > 0.05
        for (start, _, pitch), (begun, _, other) in zip(own, page, strict=True)
    ]
    assert sum(apart) <= 1


PAGE_AT = 22050  # samples a second that the page's ear is given
_HEARD_IN = """() => { window.heardIn = (samples, tables) => {
    const reader = new ear.Reader(tables);
    const all = Float32Array.from(samples);
    for (let at = 0; at < all.length; at += 1000) reader.push(all.subarray(at, at + 1000));
    return reader.notes().map(({ start, end, pitch }) => [start, end, pitch]);
}; }"""


def f_measure(played: list[Played], heard: list[Played]) -> float:
    """Of notes: seconds and MIDI pitches."""
    import mir_eval

    spans = [np.array([note[:2] for note in each]) for each in (played, heard)]
    hertz = [440 * 2 ** ((np.array([p for *_, p in each]) - 69) / 12) for each in (played, heard)]
    transcribed = mir_eval.transcription.precision_recall_f1_overlap(
        spans[0], hertz[0], spans[1], hertz[1], offset_ratio=None
    )
    return float(transcribed[2])


FASTER = 1.6  # than the drill: the tempo at which the page plays for the microphone
BEFORE = 2.5  # seconds at the beginning of what the microphone hears, with a knock in them
KNOCK = 1.5


def test_a_turn_is_judged_while_the_track_goes_on(
    browser: Browser, asking: Made, tmp_path: Path
) -> None:
    """With a microphone that hears an answer with a wrong note and without another, the page says
    so while the track goes on (how soon: `python -m benchmarks.page_hearing`).  The browser's own
    false microphone stutters where other work holds the machine: then once more."""
    first = asked_of(asking.takes[0][0])[0]
    wanted = ["●"] * len(first.notes)
    wanted[0], wanted[3] = "✕", "○"
    assert wanted in (judged_turn(browser, asking, tmp_path)[0] for _ in range(5))


def judged_turn(
    browser: Browser, asking: Made, folder: Path, slower: int = 1
) -> tuple[list[str], float]:
    """A first turn with its first note wrong and its fourth left out, by the microphone: the signs
    of its notes, and seconds of the audio clock from the gap's end to the verdict, on a processor
    made so many times slower (Chrome DevTools Protocol)."""
    take = asking.takes[0][0]
    lead = float(take.chart.seconds_at(take.chart.bars[1].start))
    first = asked_of(take)[0]
    notes = [
        ((start - lead) / FASTER + BEFORE, (end - lead) / FASTER + BEFORE, pitch)
        for start, end, pitch in as_asked([first])
    ]
    notes[0] = (*notes[0][:2], notes[0][2] + 2)
    sound = plucked([*notes[:3], *notes[4:]], BEFORE + 20)
    sound[int(KNOCK * RATE) :][:50] = 0.9
    file = written(folder / "microphone.wav", sound)
    with (
        serving(asking) as address,
        microphone(browser, file) as hearing,
        View(hearing, address, tapped=True) as view,
    ):
        listening(view)
        view.set(tempo=round(take.chart.tempo.start * FASTER), count_in=False, repeat=True)
        view.page.evaluate("heard.starts.length = 0")
        view.play()
        played = float(view.once("heard.starts[0]?.when"))
        view.page.wait_for_function("window.knocked")
        way = float(view.page.evaluate("knocked")) + BEFORE - KNOCK - played
        view.page.evaluate("way => drillgen.results.keepDelay(way)", way)
        link = view.context.new_cdp_session(view.page)
        link.send("Emulation.setCPUThrottlingRate", {"rate": slower})
        view.page.evaluate(_WHEN_HEARD)
        view.until("heard", "notes|judged")
        assert view.page.text_content("#play-word") == "Pause"
        over = played + (first.end - lead) / FASTER + way
        seconds = float(view.page.evaluate("heardAt")) - over
        return [mark[0] for mark in next(iter(marks(view)), [])], seconds


_WHEN_HEARD = """() => new MutationObserver(() => {
    window.heardAt ??= drillgen.context.currentTime;
}).observe(document.getElementById("heard"), { childList: true })"""


def microphone(browser: Browser, file: Path) -> Browser:
    """A browser whose microphone hears a file, once."""
    return browser.browser_type.launch(
        executable_path=chromium(),
        args=[
            "--no-sandbox",
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-audio-capture={file}%noloop",
        ],
    )


def listening(view: View) -> None:
    """Have the page listen, and say by the audio clock when the microphone heard a knock."""
    view.page.evaluate(_KNOCKED)
    opened(view).page.click("#listen")
    view.until("listening", "^Listening")


_KNOCKED = """() => {
    const own = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
    const code = `registerProcessor("knock", class extends AudioWorkletProcessor {
        process([[samples]]) {
            const at = samples ? samples.findIndex((value) => Math.abs(value) > 0.5) : -1;
            if (at >= 0) this.port.postMessage((currentFrame + at) / sampleRate);
            return at < 0;
        }
    })`;
    navigator.mediaDevices.getUserMedia = async (wanted) => {
        const { context } = drillgen;
        await context.audioWorklet.addModule("data:text/javascript," + encodeURIComponent(code));
        const stream = await own(wanted);
        const mono = { channelCount: 1, channelCountMode: "explicit" };
        const ear = new AudioWorkletNode(context, "knock", mono);
        ear.port.onmessage = ({ data }) => { window.knocked ??= data; };
        context.createMediaStreamSource(stream).connect(ear).connect(context.destination);
        return stream;
    };
}"""
# What goes to the loudspeaker comes back by the microphone, some time later.
_LOOP = """(() => {
    const connect = AudioNode.prototype.connect;
    const outputs = new Set();
    let back = null;
    const loop = (node) => back && node.context === back.context && connect.call(node, back);
    AudioNode.prototype.connect = function (target, ...rest) {
        if (target === drillgen.context?.destination) { outputs.add(this); loop(this); }
        return connect.call(this, target, ...rest);
    };
    navigator.mediaDevices.getUserMedia = async () => {
        const { context } = drillgen;
        back = new DelayNode(context, { delayTime: 0.137 });
        outputs.forEach(loop);
        const out = new MediaStreamAudioDestinationNode(context);
        connect.call(back, out);
        return out.stream;
    };
})()"""


def test_the_way_there_and_back_is_measured(browser: Browser, asking: Made) -> None:
    """Chirps in noise and in a room are found again to a tenth of a millisecond; noise alone is no
    chirp.  Through the browser, whose streams take some time of their own, a delay of 137 ms is
    found as 137 to 337, said, and kept."""
    with View(browser, asking.one_file.as_uri(), tapped=True) as view:
        view.page.add_script_tag(content=ear()["code"])
        found, noise = view.page.evaluate(_CHIRPS)
        assert found == pytest.approx(0.21234, abs=1e-4) and noise is None
        view.page.evaluate(_LOOP)
        opened(view)
        kept = 0.0
        for _ in view.attempts():  # the page itself asks for it again where a busy machine stutters
            view.evaluate("listening.textContent = ''")
            view.page.click("#measure")
            said = view.until("listening", r"^Measured: \d+ ms|not heard")
            if said.startswith("Measured"):
                kept = view.evaluate("drillgen.results.delay()")
            if kept and kept <= 0.337:
                break
        assert 0.137 <= kept <= 0.337
        assert view.page.get_attribute("#listen", "aria-pressed") == "false"


_CHIRPS = """() => {
    let seed = 1;
    const noise = () => (seed = (seed * 16807) % 2147483647) / 2147483647 - 0.5;
    const samples = Float32Array.from({ length: 22050 * 4 }, noise);
    const alone = samples.slice();
    const starts = [0, 1, 2, 3, 4].map((number) => Math.round((0.5 + number * 0.35) * 22050));
    const late = Math.round(0.21234 * 22050);
    for (const start of starts) {
        ear.chirp(22050).forEach((value, at) => {
            samples[start + late + at] += value;
            samples[start + late + 400 + at] += 0.5 * value; // a wall
        });
    }
    return [ear.delayOf(samples, 22050, starts), ear.delayOf(alone, 22050, starts)];
}"""


def test_a_loudspeaker_in_the_microphone_is_not_judged(browser: Browser, asking: Made) -> None:
    """Where the call comes back by the microphone as loud as the turn, the page says that it cannot
    judge, and why; nothing is kept."""
    with View(browser, asking.one_file.as_uri(), tapped=True) as view:
        view.page.evaluate(_LOOP)
        opened(view).page.click("#listen")
        view.until("listening", "^Listening. Wear headphones")
        view.set(tempo=280, count_in=False)
        view.play()
        view.until("heard", "^Not judged: .* headphones")
        assert view.page.evaluate("drillgen.results.any()") is False


def test_results_are_kept_saved_and_deleted(browser: Browser, asking: Made, tmp_path: Path) -> None:
    """After two clean recordings both keys are solid, tempo and all, also when the page is opened
    again; the file that is saved has each round; what next is 4 to 6 per cent faster (common
    practice), with a caution; deleted, they are gone for good.  Nothing is sent."""
    responses = asked_of(asking.takes[0][0])
    sound = plucked(as_asked(responses), responses[-1].end + 1)
    file = written(tmp_path / "clean.wav", sound)
    with View(browser, asking.one_file.as_uri()) as view:
        opened(view)
        for solid in ("not yet", "solid"):
            view.page.set_input_files("#recording", file)
            view.until("standing", f"A♭ major{solid}100100 %")
            marked = "A♭ major – not yet solid" in view.page.inner_text("#key")
            assert marked is (solid == "not yet")
        view.page.reload()
        view.until("place", "^Bar 1 of")
        opened(view)
        assert view.page.text_content("#standing") == "C majorsolid100100 %A♭ majorsolid100100 %"
        with view.page.expect_download() as saved:
            view.page.click("#save-results")
        kept = json.loads(Path(saved.value.path()).read_text("utf-8"))
        rounds = kept["drills"]["Answers"]["C major"]
        assert [each["tempo"] for each in rounds] == [100, 100]
        assert all(each["right"] == each["asked"] > 0 for each in rounds)
        assert "hurts" in view.text("care") and "errs" in view.text("errs")
        view.page.click("#take-up")
        view.until("place", "C major")
        assert 100 * 1.04 <= float(view.page.input_value("#tempo")) <= 100 * 1.06
        view.page.click("#delete-results")
        view.page.click("#delete-results")
        view.until("listening", "deleted")
        view.page.reload()
        view.until("place", "^Bar 1 of")
        assert view.page.evaluate("drillgen.results.any()") is False
        assert {each.split(":")[0] for each in view.requests} <= {"file", "data", "blob"}


def test_what_next_follows_the_rules(with_ear: View) -> None:
    """Rounds of ten notes: a key that is not clean comes first, the weakest of several; clean once,
    it comes once more; clean twice, 5 per cent faster; with fewer than half right, 10 slower.  The
    faster and slower tempos are within a beat of the share (rounding)."""
    assert with_ear.page.evaluate(_ADVISED, [[], "C"]) is None
    for rounds, (key, tempo) in _ROUNDS.items():
        kept = [[k, {"tempo": t, "right": right, "asked": 10}] for k, t, right in rounds]
        advised = with_ear.page.evaluate(_ADVISED, [kept, "C"])
        assert (advised["key"], advised["tempo"]) == (key, tempo)


# Key, tempo and right notes of each round, and what should come next.
_ROUNDS: dict[tuple[tuple[str, int, int], ...], tuple[str, int]] = {
    (("C", 120, 10),): ("C", 120),
    (("C", 120, 10), ("C", 120, 9)): ("C", 126),
    (("C", 120, 8), ("C", 120, 9), ("C", 120, 10)): ("C", 126),
    (("C", 120, 10), ("C", 126, 10)): ("C", 126),
    (("C", 120, 7),): ("C", 120),
    (("C", 120, 4),): ("C", 108),
    (("C", 120, 10), ("C", 120, 10), ("F", 100, 8)): ("F", 100),
    (("F", 100, 8), ("C", 120, 6)): ("C", 120),
    (("F", 100, 8), ("C", 120, 9), ("F", 100, 10)): ("C", 120),
}
_ADVISED = """([rounds, here]) => {
    const rules = JSON.parse(document.getElementById("catalogue").textContent).words.next;
    const of = (key) => rounds.filter(([name]) => name === key).map(([, round]) => round);
    const keys = ["C", "F"].map((key) => [key, drillgen.standing(of(key), rules)]);
    return drillgen.advice(keys, here, rules);
}"""


def test_without_a_microphone_it_says_so(browser: Browser, asking: Made, tmp_path: Path) -> None:
    """A refused microphone and a file that is no sound are told in a sentence; a drill without
    responses has no such panel."""
    with View(browser, asking.one_file.as_uri()) as view:
        opened(view).page.click("#listen")
        view.until("listening", "recording instead")
        text = tmp_path / "a.wav"
        text.write_text("no sound at all", "utf-8")
        view.page.set_input_files("#recording", text)
        view.until("listening", "“a.wav” has no sound")
        silence = written(tmp_path / "silence.wav", 0 * plucked([], 3))
        view.page.set_input_files("#recording", silence)
        view.until("listening", "silent")
        view.page.select_option("#drill", "1")
        view.until("title", "^No answers")
        view.page.wait_for_selector("#answers", state="hidden")


def test_answers_have_no_barriers(browser: Browser, asking: Made, tmp_path: Path) -> None:
    """axe-core (Deque) finds nothing in the panel with answers in it, at rest and while it plays,
    light and dark, and 360 pixels hold it; what is touched is at least 44 high (WCAG 2.5.5), and a
    missing note is told from a right one by its frame, too, whatever circle a font draws.  The
    panel is opened and used by keyboard alone."""
    responses = asked_of(asking.takes[0][0])
    notes = as_asked(responses)[1:]
    file = written(tmp_path / "a.wav", plucked(notes, responses[-1].end + 1))
    size = {"width": 360, "height": 740}
    with View(browser, asking.one_file.as_uri(), viewport=size) as view:
        view.page.focus("#answers summary")
        view.page.keyboard.press("Enter")
        view.page.wait_for_selector("#choose")
        view.page.keyboard.press("Tab")
        view.page.keyboard.press("Tab")
        assert view.page.evaluate("document.activeElement.id") == "choose"
        view.page.evaluate(_CHOOSING)
        view.page.keyboard.press("Enter")
        assert view.page.evaluate("choosing") is True
        view.page.set_input_files("#recording", file)
        view.until("listening", "heard at")
        barriers_of_both_schemes(view)
        assert view.page.evaluate("document.documentElement.scrollWidth") <= 360
        boxes = [each.bounding_box() for each in view.page.locator("#answers button").all()]
        assert all(box is None or min(box["height"], box["width"]) >= 44 for box in boxes)
        frames = view.page.eval_on_selector_all("#judged .marks li", _FRAMES)
        assert {frame for sign, frame in frames if sign == "○"} == {"dashed"}
        assert {frame for sign, frame in frames if sign == "●"} == {"solid"}
        view.set(count_in=False, from_=3, to=4, repeat=True, tempo=60)
        view.play()
        view.until("word", "^Your turn$")
        barriers_of_both_schemes(view)


_FRAMES = """all => all.map(each =>
    [each.textContent.trim()[0], getComputedStyle(each).borderTopStyle])"""
_CHOOSING = """() => document.getElementById("recording").addEventListener("click", (event) => {
    event.preventDefault();
    window.choosing = true;
}, { once: true })"""

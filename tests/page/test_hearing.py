"""Answers on the page: recorded or by the microphone, heard, judged, kept."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from drillgen.page.html import ear
from drillgen.take import AskedNote, AskedResponse, HeardNote
from drillgen.take.judge import Tuning, judge
from tests.conftest import chromium
from tests.page.answers import Played, as_asked, asked_of, plucked, written
from tests.page.conftest import serving
from tests.page.pages import HOSTILE, Made, View, make_page
from tests.page.test_page import violations

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PHRASES = {
    **HOSTILE[0],
    "title": "Answers",
    "line": "phrases",
    "tempo": 140,
    "count_in": 1,
    "band": {"drums": "sticks"},
}
WITHOUT = {**PHRASES, "title": "No answers", "line": "roots", "gaps": "off"}


@pytest.fixture(scope="module")
def asking(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A drill that asks for answers, and one that has no responses."""
    return make_page(tmp_path_factory.mktemp("asking"), [PHRASES, WITHOUT])


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
    with View(browser, asking.index.as_uri()) as view:
        opened(view).page.set_input_files("#recording", written(tmp_path / "a.wav", sound))
        view.until("listening", "heard at 140 beats a minute")
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


def test_the_page_judges_as_the_command_does(browser: Browser, asking: Made) -> None:
    """Of the same asked and heard notes the page's ear makes the same verdicts, milliseconds and
    cents as `drillgen.take.judge`, whatever was heard."""
    with View(browser, asking.index.as_uri(), tapped=True) as view:
        view.page.add_script_tag(content=ear()["code"])
        judged_there = f"given => ear.judge(...given, {json.dumps(ear()['tables'])})"
        for seed in range(60):
            response, heard, tuning = made_up(Random(seed))
            own = judge(response, heard, tuning)
            page = view.page.evaluate(judged_there, as_told(response, heard, tuning))
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


FASTER = 1.2  # than the drill: the tempo at which the page plays for the microphone
BEFORE = 1.5  # seconds of silence at the beginning of what the microphone hears


def test_a_turn_is_judged_while_the_track_goes_on(
    browser: Browser, asking: Made, tmp_path: Path
) -> None:
    """With a microphone that hears an answer with a wrong note and without another, the page says
    so by the audio clock within half a second of the gap's end (the bound of the task), on a
    processor made four times slower (Chrome DevTools Protocol), while the track goes on."""
    take = asking.takes[0][0]
    lead = float(take.chart.seconds_at(take.chart.bars[1].start))
    first = asked_of(take)[0]
    notes = [
        ((start - lead) / FASTER + BEFORE, (end - lead) / FASTER + BEFORE, pitch)
        for start, end, pitch in as_asked([first])
    ]
    notes[0] = (*notes[0][:2], notes[0][2] + 2)
    sound = plucked([*notes[:3], *notes[4:]], BEFORE + 20)
    file = written(tmp_path / "microphone.wav", sound)
    with (
        serving(asking) as address,
        microphone(browser, file) as hearing,
        View(hearing, address, tapped=True) as view,
    ):
        begun = listening(view)
        view.set(tempo=round(take.chart.tempo.start * FASTER), count_in=False)
        view.page.evaluate("heard.starts.length = 0")
        view.play()
        played = float(view.page.evaluate("heard.starts[0].when"))
        way = begun + BEFORE - played
        view.page.evaluate("way => drillgen.results.keepDelay(way)", way)
        link = view.context.new_cdp_session(view.page)
        link.send("Emulation.setCPUThrottlingRate", {"rate": 4})
        view.page.evaluate(_WHEN_HEARD)
        view.until("heard", "notes|judged")
        assert view.page.text_content("#play-word") == "Pause"
        signs = [mark[0] for mark in marks(view)[0]]
        assert (signs[0], signs[3]) == ("✕", "○")
        # The device begins some milliseconds after the page is told so: early and late are
        # not looked at here.
        assert set(signs[1:3] + signs[4:]) <= set("●◀▶")
        over = played + (first.end - lead) / FASTER + way
        assert float(view.page.evaluate("heardAt")) - over <= 0.5


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


def listening(view: View) -> float:
    """Have the page listen; the audio clock's time at which the microphone was given."""
    view.page.evaluate(_WHEN_GIVEN)
    opened(view).page.click("#listen")
    view.until("listening", "^Listening")
    return float(view.page.evaluate("given"))


_WHEN_GIVEN = """() => {
    const own = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
    navigator.mediaDevices.getUserMedia = async (wanted) => {
        const stream = await own(wanted);
        window.given = drillgen.context.currentTime;
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
    with View(browser, asking.index.as_uri(), tapped=True) as view:
        view.page.add_script_tag(content=ear()["code"])
        found, noise = view.page.evaluate(_CHIRPS)
        assert found == pytest.approx(0.21234, abs=1e-4) and noise is None
        view.page.evaluate(_LOOP)
        opened(view).page.click("#measure")
        view.until("listening", r"^Measured: \d+ ms")
        kept = view.page.evaluate("drillgen.results.delay()")
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
    with View(browser, asking.index.as_uri(), tapped=True) as view:
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
    with View(browser, asking.index.as_uri()) as view:
        opened(view)
        for solid in ("not yet", "solid"):
            view.page.set_input_files("#recording", file)
            view.until("standing", f"A♭ major{solid}140100 %")
        view.page.reload()
        view.until("place", "^Bar 1 of")
        opened(view)
        assert view.page.text_content("#standing") == "C majorsolid140100 %A♭ majorsolid140100 %"
        with view.page.expect_download() as saved:
            view.page.click("#save-results")
        kept = json.loads(Path(saved.value.path()).read_text("utf-8"))
        rounds = kept["drills"]["Answers"]["C major"]
        assert [(each["tempo"], each["right"] == each["asked"]) for each in rounds] == [
            (140, True)
        ] * 2
        assert "hurts" in view.text("care") and "errs" in view.text("errs")
        view.page.click("#take-up")
        view.until("place", "C major")
        assert 140 * 1.04 <= float(view.page.input_value("#tempo")) <= 140 * 1.06
        view.page.click("#delete-results")
        view.page.click("#delete-results")
        view.until("listening", "deleted")
        view.page.reload()
        view.until("place", "^Bar 1 of")
        assert view.page.evaluate("drillgen.results.any()") is False
        assert {each.split(":")[0] for each in view.requests} <= {"file", "data", "blob"}


@pytest.mark.parametrize(
    ("rounds", "advised"),
    [
        ([("C major", 120, 10)], "C major at 120"),
        ([("C major", 120, 10), ("C major", 120, 9)], "C major at 126"),
        ([("C major", 120, 7)], "C major at 120"),
        ([("C major", 120, 4)], "C major at 108"),
        ([("C major", 120, 10), ("C major", 120, 10), ("A♭ major", 100, 8)], "A♭ major at 100"),
        ([("A♭ major", 100, 8), ("C major", 120, 6)], "C major at 120"),
    ],
)
def test_what_next_follows_the_rules(
    browser: Browser, asking: Made, rounds: list[tuple[str, int, int]], advised: str
) -> None:
    """Rounds of ten notes: a key that is not clean comes first, the weakest of several; clean once,
    it comes once more; clean twice, 5 per cent faster; with fewer than half right, 10 slower.  Keys
    that are not solid are marked where keys are chosen."""
    with View(browser, asking.index.as_uri()) as view:
        for key, tempo, right in rounds:
            kept = {"at": "2026-01-01T00:00:00Z", "tempo": tempo, "right": right, "asked": 10}
            view.page.evaluate("given => drillgen.results.add(...given)", ["Answers", key, kept])
        view.page.reload()
        view.until("place", "^Bar 1 of")
        opened(view)
        assert view.text("advice").startswith(f"{advised} (")
        options = view.page.locator("#key option").all_text_contents()
        weak = advised.split(" at ")[0]
        solid = "faster" in view.text("advice")
        assert (f"{weak} – not yet solid" in options) is not solid


def test_without_a_microphone_it_says_so(browser: Browser, asking: Made, tmp_path: Path) -> None:
    """A refused microphone and a file that is no sound are told in a sentence; a drill without
    responses has no such panel."""
    with View(browser, asking.index.as_uri()) as view:
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


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_answers_have_no_barriers(
    browser: Browser, asking: Made, tmp_path: Path, scheme: str
) -> None:
    """axe-core (Deque) finds nothing in the panel with answers in it, and 360 pixels hold it; it is
    opened and used by keyboard alone."""
    responses = asked_of(asking.takes[0][0])
    notes = as_asked(responses)[1:]
    file = written(tmp_path / "a.wav", plucked(notes, responses[-1].end + 1))
    size = {"width": 360, "height": 740}
    with View(browser, asking.index.as_uri(), color_scheme=scheme, viewport=size) as view:
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
        assert violations(view) == []
        assert view.page.evaluate("document.documentElement.scrollWidth") <= 360


_CHOOSING = """() => document.getElementById("recording").addEventListener("click", (event) => {
    event.preventDefault();
    window.choosing = true;
}, { once: true })"""

"""What the page shows and how it is used: by pointer, by keyboard, by ear, on paper."""

from __future__ import annotations

import io
import re
import shutil
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit
from urllib.request import url2pathname

import pytest
from PIL import Image

from drillgen.chart import Chart, Role, charts
from drillgen.drill.models import Drill
from drillgen.page.values import slowing, steps
from drillgen.serve.door import local_address
from drillgen.sound.schedule import sample_at
from tests.page.pages import HOSTILE, RATE, TITLE, Made, View, make_page
from tests.serve.serving import serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Route

WORDS: dict[Role, str] = {
    "count-in": "Count-in",
    "call": "Listen",
    "response": "Your turn",
    "play": "Play along",
    "ending": "Last chord",
}
AXE = resources.files("axe_playwright_python") / "axe.min.js"


@pytest.fixture
def alone(made: Made, tmp_path: Path) -> Path:
    """The page that is one file, with nothing beside it."""
    return Path(shutil.copy(made.folder / "page.html", tmp_path))


@pytest.mark.parametrize("place", ["disk", "web", "one file"])
def test_it_plays_from_anywhere(
    browser: Browser, made: Made, alone: Path, served: str, place: str
) -> None:
    """From disk, over HTTP and as one file, the page opens and plays under its security policy,
    without an error, and asks nothing of any other host."""
    url = {"disk": made.index.as_uri(), "web": served, "one file": alone.as_uri()}[place]
    with View(browser, url) as view:
        view.set(tempo=360)
        view.play()
        view.until("word", "^Listen$")
        view.page.select_option("#drill", "1")
        view.until("title", "^By ear")
        assert view.problems == []
        hosts = {(urlsplit(each).scheme, urlsplit(each).netloc) for each in view.requests}
        assert hosts <= {(urlsplit(url).scheme, urlsplit(url).netloc), ("data", "")}
        policy = view.page.get_attribute("meta[http-equiv=Content-Security-Policy]", "content")
        assert policy and "default-src 'none'" in policy and "unsafe" not in policy


def test_a_page_without_its_parts_says_so(browser: Browser, made: Made, tmp_path: Path) -> None:
    """Opened out of its zip, or alone as a phone may do, it says what to do; whole it does not."""
    alone = tmp_path / "index.html"
    alone.write_bytes(made.index.read_bytes())
    for index, bare in ((alone, True), (made.index, False)):
        page = browser.new_page()
        page.goto(index.as_uri())
        assert page.get_by_text("unpack the whole zip").is_visible() == bare
        page.close()


def test_the_beats_of_a_bar_that_slows(first_seen: View) -> None:
    """The page's beats are where the chart has them, to the sample, in a bar that slows too, and a
    place between two of them is the same whether it is asked for in beats or in seconds."""
    ballad = {"feel": "ballad", "tempo": 60, "ending": "tag", "progression": "ii7 | V7 | Imaj7 | %"}
    (chart,) = charts(Drill.model_validate(ballad))
    bar = next(bar for bar in chart.bars if bar.slowing)
    read = {
        "bars": steps(sample_at(chart.seconds_at(each.start)) for each in chart.bars),
        "slowing": slowing(chart),
        "strokes": {},
    }
    beats = [number / 4 for number in range(17)]
    script = """([take, rate, bar, beats]) => {
        const d = window.drillgen;
        const read = d.readTake({tempos: [], asked: [], end: 0, ...take}, rate);
        const into = beats.map((beat) => d.secondsInto(read, bar, beat / 4));
        return [into, into.map((at) => 4 * d.shareOf(read, bar, at))];
    }"""
    into, back = first_seen.page.evaluate(script, [read, RATE, bar.number, beats])
    start = chart.seconds_at(bar.start)
    quarters = [Fraction(beat) + bar.start for beat in beats]
    assert into == pytest.approx([chart.seconds_at(q) - start for q in quarters], abs=2 / RATE)
    assert back == pytest.approx(beats, abs=1e-6)


def test_a_loop_s_bars_keep_their_numbers(first_seen: View) -> None:
    """Bars 5 and 6, three times after a count-in of two bars, as the page names and finds them: by
    hand."""
    loop = {"bars": [[0, 0, 1, 0, []]] * 8, "shown": [], "round": [5, 2]}
    script = """layout => {
        const places = window.drillgen.places(layout, 2);
        return [
            [2, 3, 4, 7].map(places.numberOf), [1, 2, 7].map(places.whereIs),
            [[5, 6], [6, 6], [5, 5]].map((range) => places.between(...range)),
        ];
    }"""
    assert first_seen.page.evaluate(script, loop) == [
        [5, 6, 5, 6],
        ["Count-in", "Bar 5, 1 of 3 times", "Bar 6, 3 of 3 times"],
        [[2, 7], [3, 3], [2, 2]],
    ]


def test_a_page_of_a_loop(browser: Browser, tmp_path: Path) -> None:
    """The page of a loop of bars 3 and 4 counts 3, 4, 3, 4, by whoever it is read."""
    loop = {**HOSTILE[0], "bars": "3-4", "repeat": 2, "sheet": {"also_for": "Bb"}}
    with View(browser, make_page(tmp_path, [loop]).index.as_uri()) as view:
        numbers = "[...document.querySelectorAll('#bars .number')].map(each => each.textContent)"
        for reader in ("", "Bb"):
            if reader:
                view.page.select_option("#reader", reader)
            assert view.text("place").startswith("Bar 3, 1 of 2 times")
            assert view.evaluate(numbers) == ["3", "4", "3", "4"]


def test_a_slow_line_hears_the_count_in_first(browser: Browser, served: str) -> None:
    """Over HTTP the count-in's tones come in one file beside the page's code and data: it is heard
    while the other tones are still under way, goes on until the first bars are there, and says
    why; then comes the first bar.  Until a tone is there at all, the page says that it loads."""
    with View(browser, served, service_workers="block") as view:  # it would answer instead
        held: list[Route] = []
        view.context.route("**/page/tone-*.js", lambda route: held.append(route))
        view.context.route("**/page/count-*.js", lambda route: held.append(route))
        view.requests.clear()
        view.page.reload(wait_until="commit")
        view.until("word", "^Loading$")
        view.until("place", "^Bar 1 of")
        assert len(view.requests) - len(held) <= 8
        view.set(tempo=360)
        view.page.click("#play")
        view.until("word", "^Loading$")
        next(route for route in held if "/count-" in route.request.url).continue_()
        view.until("word", "^(Starting note|Count-in)$")
        view.until("until", "while the first bars load")
        view.wait(1)  # half a bar more than the count-in has
        assert view.text("word") == "Count-in"
        view.context.unroute("**/page/tone-*.js")
        for route in held:
            if "/tone-" in route.request.url:
                route.continue_()
        view.until("word", "^Listen$")
        assert all("blocked by Playwright" in problem for problem in view.problems)


def test_it_works_without_the_server_that_gave_it(browser: Browser, served: str) -> None:
    """Opened once over HTTP, the page opens and plays again without any network (Service Workers,
    W3C), the whole drill; its manifest names the pack for a home screen."""
    with View(browser, served) as view:
        view.page.wait_for_selector("html[data-kept]", state="attached")
        name = view.page.evaluate("document.querySelector('link[rel=manifest]').href")
        about = view.context.request.get(name).json()
        assert about["name"] == TITLE
        view.context.set_offline(True)
        view.page.goto(served)
        view.until("place", "^Bar 1 of")
        view.set(tempo=360, count_in=False, repeat=True)
        view.play()
        view.until("place", "^Bar 4 of")
        assert view.page.is_hidden("#problem") and view.page.is_visible("#strip svg")


def test_a_page_that_is_looked_at_decodes_little(browser: Browser, served: str) -> None:
    """Of its tones a page decodes what is heard first; all are there as well, and decoded when
    music begins, though the network has gone."""
    with View(browser, served, tapped=True, service_workers="block") as view:
        view.page.wait_for_load_state("networkidle")
        asked = {url for url in view.requests if "/page/tone-" in url}
        at_first = view.evaluate("heard.decoded")
        assert 0 < at_first < len(asked)
        view.context.set_offline(True)
        view.set(tempo=360, count_in=False)
        view.play()
        view.once(f"heard.decoded >= {len(asked)}")
        assert {url for url in view.requests if "/page/tone-" in url} == asked
        assert not any("tone-" in problem for problem in view.problems)


def test_what_a_person_wrote_is_never_markup(first_seen: View) -> None:
    """Tags, quotes and right-to-left marks in titles and notes are shown as they were written."""
    assert first_seen.page.text_content("h1") == TITLE
    assert first_seen.page.text_content("#drill option") == f"1. {TITLE}"
    assert first_seen.text("note").startswith("<img src=x")
    assert first_seen.page.title() == " ".join(TITLE.split())
    assert first_seen.page.evaluate("window.hacked") is None
    assert first_seen.page.locator("main b[onclick], main img").count() == 0


def test_the_sheet_is_found_whatever_its_title(first_seen: View, made: Made) -> None:
    """The link to the sheet leads to its file, though the folder's name has a number sign and a
    per cent sign (RFC 3986: neither may stand for itself in a path)."""
    assert "#" in TITLE and "%" in TITLE
    path = first_seen.page.evaluate("new URL(document.querySelector('#papers a').href).pathname")
    assert Path(url2pathname(path)) in set(made.folder.rglob("sheet.pdf"))


def test_words_follow_the_roles(view: View, made: Made) -> None:
    """From the second key's first answer on, at 360, each bar is shown with its role's word, and
    with the beats until the next role, by the chart."""
    view.watch("place", "word", "until")
    view.set(tempo=360, from_=11, count_in=False)
    view.play()
    view.until("word", "^Ready$")
    chart = made.takes[0][0].chart
    lead = next(bar.number for bar in chart.bars if bar.form_bar >= 0)
    seen = set()
    for place, word, until in view.watched():
        number = re.match(r"Bar (\d+) of", place)
        if number and until:
            bar = lead + int(number[1]) - 1
            assert word == WORDS[chart.bars[bar].role]
            beats, following = re.fullmatch(r"(\d+) beats?, then (.*)", until).groups()  # type: ignore[union-attr]
            assert int(beats) in beats_left(chart, bar)
            seen.add((bar, following))
    assert {bar for bar, _ in seen} >= {bar.number for bar in chart.bars[lead + 10 : -2]}
    assert {f for _, f in seen} >= {"your turn", "listen", "the last chord", "the end"}


def beats_left(chart: Chart, number: int) -> range:
    """What may be said in a bar: beats from there until a bar of another role begins."""
    bars = chart.bars
    end = next((b.number for b in bars[number:] if b.role != bars[number].role), len(bars))
    beats = chart.drill.meter.beats
    return range((end - number - 1) * beats + 1, (end - number) * beats + 1)


def test_keys_tempos_and_bars_are_chosen(view: View, made: Made) -> None:
    """Choosing a key chooses its bars and shows its sheet; the pack's tempos are buttons; playing
    starts with the count-in, if it is wanted, and again on each start."""
    view.page.select_option("#key", label="A♭ major")
    view.page.wait_for_selector("#strip svg[aria-label='Sheet, A♭ major']")
    chart = made.takes[0][0].chart
    first = next(bar.number for bar in chart.bars if bar.key_number == 1) - 2  # a bar, and a note
    assert view.page.input_value("#from") == str(first + 1)
    view.page.click("#steps button:has-text('200')")
    assert view.page.input_value("#tempo") == "200"
    view.set(tempo=30)  # a bar lasts while things are looked at, on a busy machine too
    for _ in range(2):
        assert view.play() in ("Starting note", "Count-in")
        assert view.text("place") == "Count-in · A♭ major"
        view.page.click("#play")
    view.set(count_in=False)
    assert view.play() == "Listen"


def test_a_touched_bar_is_played(view: View) -> None:
    """A touch on a bar of the sheet or of the list plays from it; pausing stays in its bar."""
    view.set(count_in=False, tempo=30)
    view.page.click("#strip .sheet-bar >> nth=2", position={"x": 30, "y": 30})
    view.until("word", "^Your turn$")
    assert view.text("place").startswith("Bar 3 of")
    view.page.click("#play")
    assert view.text("word") == "Paused" and view.text("place").startswith("Bar 3 of")
    view.page.click("summary")
    view.page.click("#bars button >> nth=5")
    view.until("place", "^Bar 6 of")
    marked = view.page.locator("#strip [aria-current]")
    assert marked.count() == 1 and (marked.get_attribute("aria-label") or "").startswith("Bar 6,")


def test_repeated_bars_are_marked_round_and_round(view: View) -> None:
    """Two bars that repeat are marked 1 2 1 2; without repeating, the page stops after them."""
    view.watch("place")
    view.set(from_=1, to=2, tempo=360, count_in=False, repeat=True)
    view.play()
    for number in (1, 2, 1, 2):
        view.until("place", f"^Bar {number} of")
    view.set(repeat=False)
    view.until("word", "^Ready$")
    numbers = [int(place.split()[1]) for [place] in view.watched()]
    assert numbers[:4] in ([2, 1, 2, 1], [1, 2, 1, 2]) and set(numbers) == {1, 2}


def test_a_jump_counts_one_bar_in(view: View) -> None:
    """Play begins with the whole count-in, its starting note first; a touch on a bar while playing
    counts one bar in, at once, and then comes that bar."""
    view.set(tempo=360, count_in=True)
    assert view.play() == "Starting note"
    view.until("place", "^Bar 1 of")
    view.watch("place", "word")
    view.page.click("#strip .sheet-bar >> nth=4", position={"x": 30, "y": 30})
    view.once("watched.some(([, word]) => word === 'Count-in')")
    view.until("place", "^Bar ([5-9]|1.) of")
    seen = view.watched()
    words = [word for _, word in seen]
    assert "Starting note" not in words and words.count("Count-in") == 1
    assert seen[words.index("Count-in") + 1][0].startswith("Bar 5 of")


def test_plain_http_is_said(browser: Browser, made: Made) -> None:
    """From a host without HTTPS, where browsers keep no page and no screen awake (W3C, Secure
    Contexts), the page says what works all the same; from disk it says nothing."""

    def answer(route: Route) -> None:
        name = urlsplit(route.request.url).path.removeprefix("/")
        route.fulfill(path=made.folder / name)

    with View(browser, made.index.as_uri()) as view:
        assert not view.page.is_visible("#plain")
        view.page.route("http://stand.example/**", answer)
        view.page.goto("http://stand.example/index.html")
        view.page.wait_for_function("!document.getElementById('plain').hidden")
        assert view.page.evaluate("window.isSecureContext") is False
        assert "HTTPS" in (view.page.text_content("#plain") or "")


def test_a_climbing_tempo_is_kept(browser: Browser, made: Made) -> None:
    """A drill that climbs from 160 to 200 takes 1.5 s a bar on the first pass and 1.2 s on the
    second; asked to begin at 320, it takes half of that: the tempo map is scaled.  Each bar has
    strokes where it begins."""
    with View(browser, made.one_file.as_uri(), tapped=True) as view:
        view.page.select_option("#drill", "1")
        view.until("title", "^By ear")
        assert "200" in view.text("climb")
        view.set(tempo=320, count_in=False, repeat=False)
        assert "400" in view.text("climb")
        begun = view.begin()
        view.until("word", "^Ready$")
        strokes = view.strokes()
        for bar in range(8):
            start = begun + min(bar, 4) * 0.75 + max(bar - 4, 0) * 0.60
            assert min(abs(at - start) for at in strokes) < 0.03  # players are not exact
        assert max(strokes) < begun + 4 * 0.75 + 4 * 0.60


def test_the_line_can_be_hidden(view: View) -> None:
    """Hidden, no note of the sheet is seen, and every chord symbol and slash; shown again, the
    notes are.  Where their names are asked for, they stand under the notes: guide tones from the
    seventh of Dm7 on, by the chords' spelling."""
    note, chord = "#strip .sheet-note", "#strip :is(.sheet-chord, .sheet-slash)"
    assert view.page.locator("#strip .sheet-slash").count() == 16  # four bars to answer in
    assert view.page.locator(note).first.is_visible()
    view.set(names=True)
    written = view.page.locator("#strip .sheet-written")
    assert written.all_text_contents()[:3] == ["C", "B", "B"]  # 7 of Dm7, 3 of G7, 7 of Cmaj7
    view.page.select_option("#line", "hidden")
    assert not written.first.is_visible()
    assert not any(each.is_visible() for each in view.page.locator(note).all())
    assert all(each.is_visible() for each in view.page.locator(chord).all())
    view.page.select_option("#line", "shown")
    assert view.page.locator(note).first.is_visible()


def test_the_answer_is_seen_afterwards(view: View) -> None:
    """Where a line is learned by ear, its notes are seen when the answer to them is over; what
    stands under them, degrees here, can be taken away.  Under the title of a drill of one key
    stands the key as it is written, its letter a capital; of several, how many."""
    assert view.text("facts") == "Swing · 4/4 · 2 keys"
    view.page.select_option("#drill", "1")
    view.until("facts", "^Swing · 4/4 · D minor · 2 passes$")
    assert view.page.input_value("#line") == "after"
    drawn = view.page.locator("#strip :is(.sheet-note, .sheet-beam, .sheet-tie, .sheet-row)")
    assert drawn.count() > 0
    notes = drawn.filter(visible=True)
    assert notes.count() == 0
    view.set(count_in=False)
    view.page.click("summary")
    view.page.click("#bars button >> nth=4")
    view.until("place", "^Bar 5 of")
    assert notes.count() > 0
    rows = view.page.locator("#strip .sheet-row").filter(visible=True)
    assert rows.count() > 0
    view.page.click("#play")
    view.set(marks=False)
    assert rows.count() == 0 and notes.count() > 0


def test_the_starting_note_is_named_and_heard(browser: Browser, made: Made) -> None:
    """The seventh of Dm7 is C; a touch strikes one tone."""
    with View(browser, made.one_file.as_uri(), tapped=True) as view:
        assert view.text("first-note") == "C3"
        assert view.text("first-what") == "(seventh of Dm7)"
        view.page.click("#hear")
        view.once("heard.starts.length")
        view.wait(0.3)
        assert view.page.evaluate("heard.starts.length") == 1


DEAF = """() => {
    window.AudioContext = class extends AudioContext {
        constructor(options) { super(options); this.suspend(); }
        resume() { return window.awake ? super.resume() : Promise.resolve(); }
    };
}"""


def test_a_silent_browser_is_explained(view: View) -> None:
    """Where the audio system does not start (no loudspeaker), the page says so instead of standing
    still without a word, and takes it back when the sound comes; where the system takes the sound
    away while it plays, one touch goes on, in the same bar."""
    view.page.evaluate(DEAF)
    view.set(count_in=False, tempo=40)
    view.play()
    view.until("problem", "has not started the sound")
    view.page.evaluate("() => { window.awake = true; drillgen.context.resume(); }")
    view.until("problem", "^$")
    assert view.page.is_hidden("#problem")
    view.until("chord", "Dm7")
    view.once("drillgen.context.currentTime > 0.5")
    view.page.evaluate("drillgen.context.suspend()")
    view.until("problem", "has taken the sound")
    assert view.text("play-word") == "Go on"
    view.page.click("#play")
    view.until("problem", "^$")
    assert view.text("play-word") == "Pause" and view.text("place").startswith("Bar 1 of")
    assert view.page.evaluate("drillgen.context.state") == "running"


def test_whoever_looks_elsewhere_is_not_brought_back(browser: Browser, made: Made) -> None:
    """While it plays on a phone, the page stays where a person has scrolled it, for bars, also out
    of a scroll of its own; a touch on "Back to the music" shows the bar that sounds, between the
    words and the player."""
    with View(browser, made.one_file.as_uri(), viewport={"width": 360, "height": 740}) as view:
        view.set(count_in=False, tempo=360, repeat=True)
        view.play()
        view.until("place", "^Bar 2 of")
        assert view.page.is_hidden("#back")
        view.page.mouse.move(180, 500)
        view.page.mouse.wheel(0, 2000)
        view.page.wait_for_selector("#back", state="visible")
        there = view.once(_AT_REST)
        for number in (6, 7):  # of another row
            view.until("place", f"^Bar {number} of")
        assert there > 0 and view.page.evaluate("scrollY") == pytest.approx(there, abs=1)
        view.page.click("#back")
        view.page.wait_for_selector("#back", state="hidden")
        view.once(f"({_BETWEEN})('#turn')")


# Where the page stands, once it does not move any more (smooth scrolling takes its time).
_AT_REST = """new Promise((tell) => {
    const look = (before, number) => requestAnimationFrame(() => {
        if (scrollY !== before) look(scrollY, 0);
        else if (number > 20) tell(scrollY);
        else look(before, number + 1);
    });
    look(scrollY, 0);
})"""
# Whether the bar that sounds stands between the words and the player.
_BETWEEN = """(words) => {
    const [above, bar, below] = [words, "#strip .sheet-bar.now .sheet-box", "#desk"]
        .map((name) => document.querySelector(name)?.getBoundingClientRect());
    return bar && above.top >= 0 && above.bottom <= bar.top + 1 && bar.bottom <= below.top;
}"""


def test_hands_and_words_while_it_plays(view: View) -> None:
    """After a click on Play the arrows work: to the right out of the count-in into the bar that it
    leads to.  Where the line is off there is nothing to listen to, and the words say so; where
    bars of one kind repeat there is no end to count to.  No frame is drawn for nothing."""
    view.set(on_line=False, from_=1, to=2, repeat=True)
    view.page.evaluate("() => { frames = 0; requestAnimationFrame = () => (frames += 1); }")
    view.play()
    assert view.text("place").startswith("Count-in")
    view.page.keyboard.press("ArrowRight")
    view.until("word", "^Play the line$")
    assert view.text("place").startswith("Bar 1 of")
    assert view.text("until") == "round and round, until you stop"
    view.until("place", "^Bar 2 of")
    assert view.page.evaluate("frames") == 0


FIREFOX = "Mozilla/5.0 ({}; rv:153.0) Gecko/20100101 Firefox/153.0"
ASKED = """() => {
    window.asked = 0;
    const { getOutputTimestamp } = AudioContext.prototype;
    const { get } = Object.getOwnPropertyDescriptor(AudioContext.prototype, "outputLatency");
    AudioContext.prototype.getOutputTimestamp = function () {
        asked += 1; return getOutputTimestamp.call(this);
    };
    Object.defineProperty(AudioContext.prototype, "outputLatency", {
        get() { asked += 1; return get.call(this); },
    });
}"""


@pytest.mark.parametrize(
    ("system", "asks"), [("X11; Linux x86_64", False), ("Windows NT 10.0; Win64; x64", True)]
)
def test_firefox_on_linux_is_not_asked_for_its_latency(
    browser: Browser, made: Made, system: str, asks: bool
) -> None:
    """It may wait for PulseAudio, and that for it, for ever; other browsers are asked."""
    with View(browser, made.one_file.as_uri(), user_agent=FIREFOX.format(system)) as view:
        view.page.evaluate(ASKED)
        view.set(tempo=360, count_in=False, repeat=True)
        view.play()
        view.until("place", "^Bar 2 of")
        assert (view.page.evaluate("asked") > 0) == asks


def test_the_keyboard_is_enough(view: View) -> None:
    """Without a pointer: the first stop leads to the player, the space bar plays and pauses, arrows
    go bar by bar, and on the sheet arrows choose a bar and Enter plays it."""
    press = view.page.keyboard.press
    press("Tab")
    assert view.page.evaluate("document.activeElement.className") == "skip"
    press("Enter")
    press("Tab")
    press("Tab")
    assert view.page.evaluate("document.activeElement.id") == "play"
    view.page.evaluate("document.activeElement.blur()")
    view.set(count_in=False)
    view.page.evaluate("document.activeElement.blur()")
    press("ArrowRight")
    assert view.text("place").startswith("Bar 2 of")
    press(" ")
    view.until("word", "^Listen$")
    press(" ")
    assert view.text("word") == "Paused"
    press("Home")
    assert view.text("place").startswith("Bar 1 of")
    view.page.focus("#strip .sheet-bar")
    press("ArrowRight")
    press("ArrowRight")
    press("Enter")
    view.until("place", "^Bar 3 of")


def test_a_narrow_page_does_not_scroll_sideways(browser: Browser, made: Made) -> None:
    """At 360 pixels everything fits, and what is touched is at least 44 high (WCAG 2.5.5), bars of
    the sheet too, and as wide; there a staff is at least 24 pixels high and a chord's letters 14
    (bounds of our own, for reading from a stand).  At 768, too."""
    with View(browser, made.one_file.as_uri(), viewport={"width": 360, "height": 740}) as view:
        for width in (360, 768):
            view.page.set_viewport_size({"width": width, "height": 740})
            unfold(view)
            assert view.page.evaluate("document.documentElement.scrollWidth") <= width
            boxes = [each.bounding_box() for each in view.page.locator("button, select").all()]
            assert all(box is None or box["height"] >= 44 for box in boxes)
            unfold(view)
            view.once(f"Math.min(...({_SMALLEST})('.sheet-box')) >= 44")
            staff, chord = view.page.evaluate(_MUSIC)
            assert staff >= 24 and chord >= 14


def unfold(view: View) -> None:
    """Open what is folded in, and fold it again."""
    for summary in view.page.locator("summary:visible").all():
        summary.click()


_SMALLEST = """name => {
    const boxes = [...document.querySelectorAll(`#strip ${name}`)]
        .map((each) => each.getBoundingClientRect());
    const least = (side) => Math.min(...boxes.map((box) => box[side]));
    return [least("width"), least("height")];
}"""
_MUSIC = """() => {
    const strip = document.querySelector("#strip svg");
    const lines = [...strip.querySelectorAll(".sheet-bar path")]
        .map((line) => line.getBoundingClientRect())
        .filter((line, _, all) => line.width > 40 && line.top < all[0].top + 60);
    const tops = lines.map((line) => line.top);
    const letters = getComputedStyle(strip.querySelector(".sheet-chord tspan")).fontSize;
    const chord = parseFloat(letters) * strip.getScreenCTM().a;
    return [Math.max(...tops) - Math.min(...tops), chord];
}"""


def test_whose_turn_it_is_stays_in_sight(browser: Browser, made: Made) -> None:
    """On a phone that lies on its side, and on a page at twice its size (WCAG 1.4.4), words and
    player leave room for the bar that sounds, which is between them, however far the music is;
    title and choices make way while it plays and come back."""
    with View(browser, made.one_file.as_uri()) as view:
        view.set(count_in=False, tempo=300, from_=11, to=14)  # over a row's end
        for width, height in ((740, 360), (640, 400)):
            view.page.set_viewport_size({"width": width, "height": height})
            view.set(repeat=True)
            view.play()
            assert view.page.is_hidden("#facts") and view.page.is_hidden("#key")
            view.until("place", "^Bar 13 of")
            view.once(f"place.textContent.startsWith('Bar 13 of') && ({_BETWEEN})('#word')")
            view.evaluate("repeat.click()")  # folded away while it plays
            view.until("word", "^Ready$")
            assert view.page.is_visible("#facts")


_WHOLE = """(([bar, turn, desk]) => bar.top >= turn.bottom && bar.bottom <= desk.top)(
    [".now .sheet-box", "#turn", ".desk"].map(
        (each) => document.querySelector(each).getBoundingClientRect()))"""


def test_a_room_reads_it_from_the_last_row(browser: Browser, made: Made) -> None:
    """In the room view words and staff have four times the area and more (twice the height), the
    bar that sounds is seen whole, only the turn, the sheet and the player are left, and Escape
    brings the page back."""
    with View(browser, made.one_file.as_uri(), viewport={"width": 1280, "height": 720}) as view:
        view.set(count_in=False)
        view.play()
        sizes = f"[parseFloat(getComputedStyle(word).fontSize), ({_MUSIC})()[0]]"
        small = view.evaluate(sizes)
        view.page.click("#for-room")
        twice = f"{sizes}.every((size, which) => size >= 2 * {small}[which])"
        view.once(f"document.querySelector('#strip svg .sheet-chord') && {twice}")
        view.once(_WHOLE)
        assert not any(map(view.page.is_visible, ("#facts", "#tempo", "footer", "#key")))
        assert view.page.is_visible("#leave") and view.page.is_hidden("#back")
        assert violations(view) == []
        view.page.keyboard.press("Escape")
        view.page.wait_for_selector("#tempo", state="visible")


def test_no_barriers_are_found(view: View) -> None:
    """axe-core (Deque) finds no violation of its rules (WCAG 2 A and AA, good practice), at rest
    and in the student's turn, light and dark."""
    unfold(view)
    barriers_of_both_schemes(view)
    view.set(count_in=False, from_=3, to=4, repeat=True, tempo=60)  # it lasts
    view.play()
    view.until("word", "^Your turn$")
    barriers_of_both_schemes(view)
    assert view.text("word") == "Your turn"


def barriers_of_both_schemes(view: View) -> None:
    """None, light and dark, where nothing but colours is another (`stand.css`)."""
    view.page.emulate_media(color_scheme="dark")
    assert violations(view, "color-contrast") == [], "dark"
    view.page.emulate_media(color_scheme="light")
    assert violations(view) == [], "light"


def violations(view: View, *rules: str) -> list[str]:
    """What axe-core finds, by all its rules or by these."""
    if not view.evaluate("'axe' in window"):
        view.page.evaluate(AXE.read_text("utf-8"))
    asked = {"resultTypes": ["violations"]} | ({"runOnly": list(rules)} if rules else {})
    found = view.page.evaluate("asked => axe.run(asked).then(all => all.violations)", asked)
    return [f"{each['id']}: {node['html']}" for each in found for node in each["nodes"]]


def test_a_screen_reader_hears_each_turn_once(view: View) -> None:
    """The live region changes when the turn does, not on each beat."""
    view.watch("spoken")
    view.set(tempo=360, count_in=False, from_=1, to=6)
    view.play()
    view.until("word", "^Ready$")
    assert [said.split(",")[0] for [said] in view.watched()] == ["Listen", "Your turn", "Listen"]


def test_what_is_on_the_screen_is_printed(first_seen: View) -> None:
    """On paper stand title, key and sheet; the player and its controls do not."""
    first_seen.page.emulate_media(media="print")
    assert first_seen.text("paper") == "C major · 120 beats a minute"
    assert all(first_seen.page.is_visible(name) for name in ("h1", "#paper", "#strip svg"))
    assert not any(first_seen.page.is_visible(name) for name in ("#desk", "#tempo", "#turn"))
    first_seen.page.emulate_media(media="screen")


def test_a_link_says_what_was_chosen(browser: Browser, made: Made) -> None:
    """Drill, key, tempo, bars, parts and switches stand in the address: opened elsewhere, the page
    has the same; a browser keeps them, too, and opens so without the link.  What makes no sense
    is passed over."""
    url = made.one_file.as_uri()
    names = (
        "drill",
        "key",
        "tempo",
        "from",
        "to",
        "repeat",
        "on-bass",
        "count-rounds",
        "click",
        "cues",
    )
    with View(browser, url) as view:
        view.page.select_option("#key", label="A♭ major")
        view.fill(tempo=133, from_=12, to=14, repeat=True, on_bass=False, count_rounds=True)
        view.page.select_option("#click", "ones")
        view.page.select_option("#cues", "keys")
        view.page.get_by_label("Drums: louder or softer").fill("-6")
        view.page.click("#link")
        chosen = [state_of(view, name) for name in names]
        link = view.page.url
        view.page.goto("about:blank")
        view.page.goto(url)
        view.until("place", "^Bar 12 of")
        assert [state_of(view, name) for name in names] == chosen
    with View(browser, "about:blank#", wait=False) as view:
        view.page.goto(link)
        view.until("place", "^Bar 12 of")
        assert [state_of(view, name) for name in names] == chosen
        assert view.page.get_by_label("Drums: louder or softer").input_value() == "-6"
        view.page.goto("about:blank")
        view.page.goto(
            url + "#drill=99&key=H&tempo=x&bars=9-2&parts=,:,zither:3&click=never&cues=none"
        )
        view.until("place", "^Bar 1 of")
        assert state_of(view, "tempo") == "120" and view.problems == []


def state_of(view: View, name: str) -> str | bool:
    """What a field holds, or whether a switch is on."""
    field = view.page.locator(f"#{name}")
    return field.is_checked() if field.get_attribute("type") == "checkbox" else field.input_value()


def test_a_camera_reads_the_link(browser: Browser, made: Made, first_seen: View) -> None:
    """Shared by `drillgen serve --lan`, the page shows its link as a QR code, which ZXing (PyPI
    zxing-cpp) reads; after another choice it is another.  From disk no button offers one."""
    zxingcpp = pytest.importorskip("zxingcpp")
    if local_address() is None:
        pytest.skip("this machine is in no local network")
    assert first_seen.page.is_hidden("#qr")
    served = serve(made.folder, "--lan")
    try:
        with View(browser, f"http://{served.host}:{served.port}/") as view:
            view.set(tempo=133, from_=2, to=3)
            view.page.click("#qr")
            for tempo in (133, 144):
                view.set(tempo=tempo)
                view.page.wait_for_function(_CODE_OF, arg=f"tempo={tempo}")
                shot = Image.open(io.BytesIO(view.page.locator("#code img").screenshot()))
                (code,) = zxingcpp.read_barcodes(shot)
                assert code.text == view.page.url and "bars=2-3" in code.text
            assert violations(view) == [] == view.problems
    finally:
        served.stop()


_CODE_OF = """part => {
    const code = document.querySelector("#code img");
    return code.complete && code.naturalWidth > 0 && location.hash.includes(part)
        && decodeURIComponent(code.src).endsWith(location.hash);
}"""


def test_the_tempo_climbs_by_itself(view: View) -> None:
    """From 300 to 350 by 30 each round: 300, 330, 350 and no further; before each round a bar is
    counted in, where that is wanted, and the first round has no count-in where none is."""
    view.set(from_=1, to=1, tempo=300, repeat=True, count_in=False, count_rounds=True)
    view.page.select_option("#rounds", "climb")
    view.set(climb_to=350, climb_by=30, climb_every=1)
    view.watch("pace-here", "word")
    view.play()
    for tempo in (300, 330, 350):
        view.until("pace-here", f"^{tempo} a minute$")
    view.wait(2)
    assert view.text("pace-here") == "350 a minute"
    words = [word for _, word in view.watched()]
    assert words[:4] == ["Listen", "Count-in", "Listen", "Count-in"]


def test_rounds_are_slow_and_then_in_tempo(browser: Browser, made: Made) -> None:
    """At 70 per cent of 300, a bar of four beats lasts 60 * 4 / 210 s and then 60 * 4 / 300, in
    turn, and its notes begin so; the tempo shown follows, and is the chosen one when it stops.  The
    bars repeat, of which nobody has to think; a link has all of it."""
    url = made.one_file.as_uri()
    with View(browser, url, tapped=True) as view:
        view.set(from_=1, to=1, tempo=300, repeat=False, count_in=False)
        view.page.select_option("#rounds", "slow")
        assert view.page.is_checked("#repeat")
        view.wake()
        begun = view.begin()
        for tempo in (210, 300, 210):
            view.until("pace-here", f"^{tempo} a minute$")
        starts = view.strokes()
        view.page.click("#play")
        assert view.text("pace-here") == "300 a minute"
        assert view.page.input_value("#tempo") == "300"
        slow, fast = 240 / 210, 240 / 300
        for bar in (slow, slow + fast, 2 * slow + fast):
            assert min(abs(at - begun - bar) for at in starts) < 1e-6
        view.set(slow_share=60)
        view.page.click("#link")
        link = view.page.url
    with View(browser, link) as view:
        assert view.page.input_value("#rounds") == "slow"
        assert view.page.input_value("#slow-share") == "60"
        assert view.page.is_visible("#slowing") and not view.page.is_visible("#climbing")


def test_hands_on_the_sheet_and_the_system_s_keys(view: View) -> None:
    """Dragging over bars 2 and 3 of the sheet repeats them, and plays nothing; two taps half a
    second apart set 120; the keys of a keyboard or lock screen pause and go on; all keys are
    printed, each with its name."""
    view.page.evaluate("strip.scrollIntoView({ block: 'center' })")
    one, other = (view.page.locator(f"#strip .sheet-box >> nth={n}").bounding_box() for n in (1, 2))
    assert one and other
    mouse = view.page.mouse
    mouse.move(one["x"] + 20, one["y"] + 20)
    mouse.down()
    mouse.move(other["x"] + 20, other["y"] + 20, steps=3)
    mouse.up()
    assert (view.page.input_value("#from"), view.page.input_value("#to")) == ("2", "3")
    assert view.page.is_checked("#repeat") and view.text("play-word") == "Play"
    view.page.evaluate(_TAPS)
    assert view.page.input_value("#tempo") == "120"
    view.page.evaluate(_SYSTEM)
    view.play()
    assert view.page.evaluate("navigator.mediaSession.metadata.title") == TITLE
    view.page.evaluate("keys.pause()")
    assert view.text("word") == "Paused"
    assert view.page.evaluate("navigator.mediaSession.playbackState") == "paused"
    view.page.evaluate("() => { window.print = () => {}; }")
    view.page.click("#print-all")
    view.page.emulate_media(media="print")
    heads = view.page.locator("#all h2")
    view.page.wait_for_selector("#all svg >> nth=1")
    assert heads.all_inner_texts() == [f"{key} major · 120 beats a minute" for key in ("C", "A♭")]
    assert view.page.is_hidden("#strip")


_SYSTEM = """() => {
    window.keys = {};
    navigator.mediaSession.setActionHandler = (name, act) => { keys[name] = act; };
}"""
_TAPS = """() => {
    const at = (ms) => tap.dispatchEvent(
        Object.defineProperty(new Event("click"), "timeStamp", { value: ms }));
    at(1000);
    at(1500);
}"""


def test_cautions_and_licence_are_shown(first_seen: View) -> None:
    """Hearing, breaks, pain, a clinician and local rules are named, and whose sounds these are."""
    text = first_seen.page.inner_text("footer")
    assert all(word in text for word in ("hearing", "Rest", "hurts", "clinician", "rules"))
    assert first_seen.page.inner_text("#licence")


def test_drills_share_what_is_the_same(tmp_path: Path) -> None:
    """A drill built twice gives the same files with the same bytes; a second one with another note
    for the student adds nothing but its own text."""
    once, both = tmp_path / "once", tmp_path / "both"
    for folder in (once, both):
        folder.mkdir()
    plain = {"key_cycle": "C", "tempo": 200, "band": {"drums": "sticks"}, "line": "roots"}
    drill = {**HOSTILE[0], **plain}
    again = {**drill, "note": "Once more"}
    files = [
        {path.name: path.read_bytes() for path in (made.folder / "page").iterdir()}
        for made in (
            make_page(once, [drill], "--no-sheets"),
            make_page(both, [drill, again], "--no-sheets"),
        )
    ]
    shared = [{name: file[name] for name in file if name[:6] != "drill-"} for file in files]
    assert shared[0] == shared[1]
    assert [len(file) - len(same) for file, same in zip(files, shared, strict=True)] == [1, 2]

"""What the page plays, recorded in the browser: seams, step, pitch and time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from drillgen.score import PartName
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import choose
from drillgen.sound.speech import word_samples
from tests.page.listening import wrong_marks
from tests.page.pages import RATE, Made, View
from tests.pitch import HERTZ, NAMES, pitch

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture
def heard(browser: Browser, made: Made) -> Iterator[View]:
    """The page from disk, listened in on."""
    with View(browser, made.one_file.as_uri(), tapped=True) as view:
        yield view


def test_repeated_bars_have_no_seam(heard: View) -> None:
    """Two bars at 360 repeat every 4/3 s to the sample (58,800 of them at 44.1 kHz): each round
    of every part is the former one again, and nowhere is there a silent millisecond.  Each stroke
    has a source of its own (the standard's sources play once), but no more gains are made than
    sound at the same time: after some rounds hardly any is made anew."""
    heard.set(from_=1, to=2, tempo=360, repeat=True, count_in=False)
    heard.record()
    heard.begin()
    heard.hear(1.8)
    before = np.array(heard.evaluate("[heard.starts.length, heard.gains]"))
    heard.hear(4.6)
    strokes, gains = np.array(heard.evaluate("[heard.starts.length, heard.gains]")) - before
    assert strokes > 40 and gains < strokes / 5, (strokes, gains)
    channels = heard.recorded()[:, RATE // 2 :]
    period = RATE * 4 // 3
    sounding = [channel for channel in channels if np.abs(channel).max() > 1e-3]
    assert len(sounding) >= 5  # the mix, line, comping, bass, drums
    for channel in sounding:
        rounds = [channel[n * period : (n + 1) * period] for n in range(1, 3)]
        assert lag(*rounds) == 0
        assert np.corrcoef(*rounds)[0, 1] > 0.999
    mix = np.abs(channels[0][period : 3 * period])
    assert mix[: len(mix) // 44 * 44].reshape(-1, 44).max(axis=1).min() > 0


def test_parts_are_in_step(heard: View, made: Made, tmp_path: Path) -> None:
    """Every part lies against its stem (rendered by the pack's own way, from the same
    performance) as every other one does, within two samples: what MP3 may shift.  All together are
    as loud as the same bars of the pack's track, within 1 LU (ITU-R BS.1770, by pyloudnorm)."""
    take = made.takes[0][0]
    bar = next(bar for bar in take.chart.bars if bar.form_bar >= 0)
    asked = [MixRequest(n, frozenset({n}), tmp_path / f"{n}.wav") for n in PARTS]
    render(take.performance, asked, soundfont=choose(None).soundfont, room="off")
    start = round(take.chart.seconds_at(bar.start) * RATE)
    heard.set(from_=1, to=2, tempo=120, count_in=False)
    heard.record()
    heard.begin()
    heard.hear(3.2)
    channels, parts = heard.recorded(), heard.parts()
    found = []
    for name in PARTS:
        stem = soundfile.read(tmp_path / f"{name}.wav", dtype="float32")[0].mean(axis=1)
        found.append(lag(stem[start : start + 3 * RATE], channels[1 + parts.index(name)]))
    assert max(found) - min(found) <= 2
    track = next(made.folder.glob("01*/*120 with line*.wav"))
    piece = soundfile.read(track)[0].mean(axis=1)[start : start + 3 * RATE]
    assert lufs(channels[0, : 3 * RATE]) == pytest.approx(lufs(piece), abs=1)


def lufs(sound: NDArray[Any]) -> float:
    import pyloudnorm

    return float(pyloudnorm.Meter(RATE).integrated_loudness(sound.astype(np.float64)))


PARTS: tuple[PartName, ...] = ("line", "comping", "bass", "drums")


def lag(one: NDArray[np.float32], other: NDArray[np.float32]) -> int:
    """Samples by which `other` comes later, where they are most alike."""
    size = 1 << (len(one) + len(other) - 1).bit_length()
    spectrum = np.fft.rfft(other, size) * np.conj(np.fft.rfft(one, size))
    at = int(np.argmax(np.fft.irfft(spectrum, size)))
    return at if at < size // 2 else at - size


def test_any_tempo_has_the_same_pitch(heard: View) -> None:
    """McLeod and Wyvill's method hears the first note of the line, C3 (130.81 Hz: equal temperament
    at A 440, ISO 16), within 10 cents, at a tempo of the pack and at one that is not; the next
    note comes when the tempo says, within 20 ms."""
    heard.set(from_=1, to=2, count_in=False)
    heard.record()
    for tempo in (200, 133):
        heard.set(tempo=tempo)
        begun, bar = heard.begin(), 240 / tempo
        heard.hear(bar + 0.3)
        strokes, line = heard.strokes(), heard.recorded()[1 + heard.parts().index("line")]
        heard.click("#play")
        begin = int(np.argmax(np.abs(line) > 0.02 * np.abs(line).max()))
        note = line[begin : begin + round(bar * RATE)]
        assert abs(1200 * np.log2(pitch(note, RATE, 60, 400) / HERTZ[48])) < 10, tempo
        assert min(abs(start - begun - bar) for start in strokes) < 0.020, tempo


_STALL = """seconds => {
    const { getOutputTimestamp } = AudioContext.prototype;
    AudioContext.prototype.getOutputTimestamp = function () {
        const stamp = getOutputTimestamp.call(this);
        return { contextTime: stamp.contextTime + 100, performanceTime: stamp.performanceTime };
    };
    const end = performance.now() + seconds * 1000;
    while (performance.now() < end);
    heard.starts.length = 0;
}"""


def test_what_a_stalled_page_has_missed_is_not_heard_at_once(heard: View) -> None:
    """After a second more than the page plans ahead, in which nothing of it could run, no note is
    struck that should have begun more than 50 ms ago; and an audio clock that is 100 s ahead is
    not believed: the bar that is shown, a second each, is one that has begun."""
    heard.set(tempo=240, count_in=False)
    begun = heard.begin()
    heard.page.evaluate(_STALL, 4.5)
    heard.once("heard.starts.length")
    bar = int(heard.until("place", "^Bar ([5-9]|1.) of").split()[1])
    assert bar <= heard.evaluate("drillgen.context.currentTime") - begun + 1
    starts = [each["when"] for each in heard.evaluate("heard.starts")]
    assert max(map(starts.count, starts)) <= 10  # a chord, the bass, the drums, the line


def test_marks_follow_the_sound(heard: View, made: Made) -> None:
    """The mark moves to a bar within 30 ms of its sound at the ear, by the chart's times (at 200,
    played at 320) and the audio clock, the browser's own delays apart."""
    heard.set(tempo=320, count_in=True)
    heard.wake()
    heard.evaluate("heard.pulse()")
    begun = heard.begin()  # the starting note, at the track's start
    heard.until("place", "^Bar ([5-9]|1.) of")
    chart = made.takes[0][1].chart
    lead = next(bar.number for bar in chart.bars if bar.form_bar >= 0)

    def start(bar: int) -> float:
        return begun + chart.seconds_at(chart.bars[lead + bar - 1].start) * 200 / 320

    marks, turns = heard.evaluate("[heard.marks, heard.turns]")
    assert wrong_marks(marks, turns, start, 0.03) == []


def test_parts_can_be_turned_down_and_off(heard: View) -> None:
    """A part turned down by 12 dB is 12 dB softer, one turned off is silent, at once; the others
    stay as they were."""
    heard.set(from_=1, to=1, tempo=240, repeat=True, count_in=False)
    heard.record()
    heard.begin()
    heard.hear(2.2)
    before = levels(heard)
    heard.set(on_bass=False)
    heard.page.get_by_label("Drums: louder or softer").fill("-12")
    heard.evaluate("heard.blocks.length = 0")
    heard.hear(1.2)
    after = levels(heard)
    assert after["bass"] < before["bass"] - 80
    assert after["drums"] - before["drums"] == pytest.approx(-12, abs=0.2)
    assert after["line"] == pytest.approx(before["line"], abs=0.2)


def test_a_click_on_request(heard: View) -> None:
    """Asked for on 2 and 4, the click is struck there and not on 1 and 3, however long the
    soundfont lets it ring."""
    heard.set(from_=1, to=2, tempo=240, count_in=False)
    heard.page.select_option("#click", "backbeats")
    heard.record()
    heard.begin()
    heard.hear(1.6)
    channels = np.abs(heard.recorded())
    begin = int(np.argmax(channels[1 + heard.parts().index("line")] > 1e-3))
    click = channels[1 + heard.parts().index("click")][max(begin - RATE // 50, 0) :]
    moments = click[:RATE].reshape(20, -1).max(axis=1)  # of 50 ms, five a beat
    struck = [n for n in range(20) if moments[n] > max(0.01, 4 * moments[max(n - 1, 0)])]
    assert [n // 5 for n in struck] == [1, 3]


def test_the_count_in_gives_note_and_words(browser: Browser, made: Made) -> None:
    """In the second key the count-in plays the note that is shown there: McLeod and Wyvill's method
    hears it within 30 cents (table of equal temperament, ISO 16).  Asked for on the page, a voice
    says the chosen key and the turn: A, flat and listen behind the first three beats of the bar
    that counts (at 120 a beat is 0.5 s, and a word begins in the middle of one), each the word of
    the mixes; its sounds are not loaded before, and the address has the wish."""
    with View(browser, made.index.as_uri(), tapped=True) as heard:
        heard.page.select_option("#key", label="A♭ major")
        heard.until("place", "A♭ major")
        shown = heard.text("first-note")
        assert not any("/words-" in url for url in heard.requests)
        heard.page.select_option("#cues", "keys and turns")
        heard.page.wait_for_function("location.hash.includes('cues=keys')")
        heard.record()
        heard.begin()
        heard.hear(4.6)
        channels = heard.recorded()
        assert sum("/words-" in url for url in heard.requests) == 1
        of_parts = dict(zip(heard.parts(), channels[1:], strict=True))
    voice, click, cue = (of_parts[each] for each in ("spoken", "click", "cue"))
    (wanted,) = (HERTZ[key] for key, name in NAMES.items() if name == shown.replace("♭", "b"))
    begin = int(np.argmax(np.abs(cue) > 0.02 * np.abs(cue).max()))
    assert shown != "C3"
    assert abs(1200 * np.log2(pitch(cue[begin : begin + RATE], RATE, 60, 400) / wanted)) < 30
    first = int(np.argmax(np.abs(click) > 1e-3))  # the bar that counts begins
    for beat, word in enumerate(("A", "flat", "listen")):
        sound = word_samples(word, False)[0]
        at = first + round((beat + 0.5) * RATE / 2)
        piece = voice[at - RATE // 50 : at + len(sound)]
        late = lag(sound, piece) - RATE // 50
        assert abs(late) < RATE // 50
        again = piece[late + RATE // 50 :][: len(sound)]
        assert np.corrcoef(again, sound[: len(again)])[0, 1] > 0.95
    assert np.abs(voice[:first]).max() == 0  # nothing beside the starting note


def levels(heard: View) -> dict[str, float]:
    """Each part's level in dB, over the last round of a second."""
    channels = heard.recorded()[1:, -RATE:]
    power = np.square(channels, dtype=np.float64).mean(axis=1)
    return dict(zip(heard.parts(), 10 * np.log10(power + 1e-20), strict=True))

"""The note bank against FluidSynth itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drillgen.band.feel import KEYS, KITS
from drillgen.drill.sheet import INSTRUMENTS
from drillgen.performance import Performance, Played, Voice
from drillgen.sound import samples as bank_module
from drillgen.sound.fluidsynth import GRID, RATE, Samples
from drillgen.sound.mixer import mixed
from drillgen.sound.on_disk import Store, forget
from drillgen.sound.release import sample_at, step_of
from drillgen.sound.render import ReferencePart
from drillgen.sound.samples import Bank
from drillgen.sound.schedule import by_font, gathered, resolved
from drillgen.sound.soundfonts import Soundfont, find_soundfonts
from tests import forking
from tests.pack.conftest import embedded_soundfont
from tests.pitch import HERTZ, pitch
from tests.sound.helpers import level, performance, voice

KNOWN = list({font.path.stem: font for font in find_soundfonts() if font.rank < 50}.values())
each_font = pytest.mark.parametrize("font", KNOWN, ids=lambda font: font.path.stem)

# Every instrument that a line or the band may be played on, each program once.
PROGRAMS = {facts.program: name for name, facts in INSTRUMENTS.items()}
STROKES = {name: key for name, key in KEYS.items() if not name.startswith("brush")}


Instruments = dict[str, list[Soundfont]]


def in_turn(names: Iterable[str], by_all: Iterable[str]) -> Instruments:
    """By which soundfonts each instrument is played: some by all of them, each other by one, in
    turn."""
    one = {name: [KNOWN[number % len(KNOWN)]] for number, name in enumerate(names) if KNOWN}
    return one | dict.fromkeys(by_all, KNOWN)


@pytest.fixture
def own_once() -> Callable[[Voice, Soundfont], bool]:
    """Whether a voice is played by our own soundfont, which plays it for all others alike, and has
    been looked at with the first of them."""
    return lambda part, font: font != KNOWN[0] and resolved(part, font)[0].own


def by_bank(notes: Performance, font: Soundfont, room: str = "off") -> Any:
    """All parts by the note bank, shape (2, n)."""
    forget()  # as in another process
    with Bank(font) as bank:
        sounding = gathered(notes, bank)
    length = sample_at(notes.seconds)
    return np.concatenate(list(mixed(sounding.notes(sounding.parts), length, room)), axis=1)


def played(voice: Voice, length: int, soundfont: Soundfont) -> Samples:
    """One part as FluidSynth itself plays it, shape (2, length)."""
    whole = np.zeros((2, length), np.float32)
    for part, preset in by_font(voice, soundfont):
        with ReferencePart(part, preset, soundfont) as player:
            whole += player.read(length)
    return whole


def on_the_grid(notes: Performance, velocities: bool) -> Performance:
    """The same with events on FluidSynth's grid, and velocities on the bank's steps: on it the note
    bank and FluidSynth can be compared sample by sample."""

    def snapped(note: Played) -> Played:
        start, end = (
            round(each * RATE / GRID) * GRID for each in (note.start, note.start + note.duration)
        )
        length = max(end - start, GRID)
        velocity = step_of(note.velocity) if velocities else note.velocity
        return replace(note, start=start / RATE, duration=length / RATE, velocity=velocity)

    voices = (replace(each, notes=tuple(map(snapped, each.notes))) for each in notes.voices)
    return replace(notes, voices=tuple(voices))


def chords() -> Iterable[Played]:
    for number in range(7):
        length = (0.09, 0.25, 0.6, 1.4)[number % 4]
        for key in (52 + number % 5, 57 + number % 2, 62 + number % 3):
            yield Played(number * 0.4, length, key, 66 + 4 * number)


def line(low: int, high: int) -> Iterable[Played]:
    """Notes of all sorts over a range: short and long, soft and loud, struck again early."""
    for number in range(6):
        key = low + 7 * number % (high - low)
        yield Played(number * 0.37, (0.08, 0.2, 0.36, 0.9)[number % 4], key, 58 + 10 * number)


def difference(
    part: Voice,
    font: Soundfont,
    seconds: float = 7.5,
    snapped: bool = True,
    onsets: bool = True,
) -> float:
    """How far the difference to FluidSynth's own rendering lies below it, in dB."""
    notes = on_the_grid(performance(seconds, part), velocities=snapped)
    length = sample_at(seconds)
    own, true = by_bank(notes, font)[:, :-2000], played(notes.voices[0], length, font)[:, :-2000]
    error = own - true
    for note in () if onsets else notes.voices[0].notes:
        error[:, sample_at(note.start) : sample_at(note.start) + GRID] = 0
    return level(true) - level(error)


LINES = in_turn(PROGRAMS.values(), ["piano", "vibraphone"])


@pytest.mark.parametrize("name", LINES)
def test_lines_as_fluidsynth(name: str) -> None:
    """A line on any instrument differs from FluidSynth's own playing by less than a hundredth."""
    facts = INSTRUMENTS[name]
    for font in LINES[name]:
        notes = line(facts.low.midi, facts.high.midi)
        part = voice("line", facts.program, notes, level=-2.0)
        assert difference(part, font, seconds=3.2) > 40, font.name


COMPING = in_turn(["electric piano", "vibraphone", "guitar"], ["piano"])


@pytest.mark.parametrize("name", COMPING)
def test_comping_as_fluidsynth(name: str) -> None:
    """Comping differs from FluidSynth's own playing by less than a hundredth (40 dB)."""
    for font in COMPING[name]:
        part = voice("comping", INSTRUMENTS[name].program, chords(), pan=-0.3)
        assert difference(part, font, seconds=4.0) > 40, font.name


@each_font
def test_velocities_as_fluidsynth(
    font: Soundfont, own_once: Callable[[Voice, Soundfont], bool]
) -> None:
    """So do notes at velocities between those that are rendered: one copy serves them all.

    Not quite where velocity changes the tone, as in our own basses: a step of 1.5 dB is a fiftieth.
    """
    notes = [Played(n * 0.2, 0.15, 40 + n % 5, 60 + 2 * n) for n in range(15)]
    for name in ("upright", "electric", "piano"):
        part = voice("line", INSTRUMENTS[name].program, notes)
        if not own_once(part, font):
            least = 34 if resolved(part, font)[0].own else 40
            assert difference(part, font, seconds=4.0, snapped=False) > least, name


@each_font
@pytest.mark.parametrize("kit", KITS)
def test_strokes_as_fluidsynth(
    font: Soundfont, kit: str, own_once: Callable[[Voice, Soundfont], bool]
) -> None:
    """Each stroke of a kit, from soft to loud, differs from FluidSynth's by less than a hundredth.

    One drum at a time, so that its first samples can be compared too: in the first 64 of a stroke
    FluidSynth slides from the pan of whatever the same voice played before.  An open hi-hat may
    differ by a fiftieth (34 dB): it cuts itself off here, and before FluidSynth 2.4.3 a stroke that
    is cut off also changes its filter in some soundfonts.
    """
    for stroke, key in STROKES.items():
        notes = [Played(n * 0.23, 0.12, key, 45 + 32 * n) for n in range(3)]
        part = voice("drums", KITS[kit], notes)
        least = 34 if stroke == "open hi-hat" else 40
        assert own_once(part, font) or difference(part, font, seconds=2.0) > least, stroke


@each_font
@pytest.mark.parametrize("kit", KITS)
def test_kits_as_fluidsynth(
    font: Soundfont, kit: str, own_once: Callable[[Voice, Soundfont], bool]
) -> None:
    """All of a kit together: the same, but for the first 64 samples of each stroke, see above."""
    keys = (51, 44, 36, 38, 42, 46, 39 if kit == "brush" else 53)
    notes = [Played(n * 0.19, 0.12, keys[n * n % 7], 60 + n) for n in range(32)]
    part = voice("drums", KITS[kit], notes)
    assert own_once(part, font) or difference(part, font, onsets=False) > 40


@each_font
def test_hi_hat(font: Soundfont) -> None:
    """A closed hi-hat silences an open one (General MIDI: keys 42, 44 and 46 exclude each other).

    Half a second later at least 20 dB less is left than without it.
    """
    open_one = Played(0.0, 0.1, 46, 100)
    alone = by_bank(performance(2.0, voice("drums", 0, [open_one])), font)
    closing = by_bank(
        performance(2.0, voice("drums", 0, [open_one, Played(0.1, 0.1, 42, 1)])), font
    )
    later = slice(sample_at(0.5), sample_at(0.7))
    if level(alone[:, later]) < -75:
        pytest.skip(f"the open hi-hat of {font.name} does not ring that long")
    assert level(closing[:, later]) < level(alone[:, later]) - 20


@each_font
def test_velocity(font: Soundfont) -> None:
    """Each velocity sounds 40 log10(v / 84) dB against velocity 84 (SoundFont 2.04, 8.4.2).

    On the piano, whose level follows the standard's rule; 0.7 dB for layers of samples.
    """

    def loudness(velocity: int) -> float:
        note = Played(0.0, 1.0, 60, velocity)
        return level(by_bank(performance(1.0, voice("line", 0, [note])), font))

    middle = loudness(84)
    for velocity in (60, 71, 79, 83, 90, 104):
        expected = 40 * np.log10(velocity / 84)
        assert loudness(velocity) - middle == pytest.approx(expected, abs=0.7)


def alone(program: int, key: int, font: Soundfont) -> Any:
    """One note, both sides together."""
    note = performance(1.5, voice("line", program, [Played(0.0, 1.5, key, 90)]))
    return by_bank(note, font).mean(axis=0)


@each_font
def test_tuning_of_the_bass(font: Soundfont, own_once: Callable[[Voice, Soundfont], bool]) -> None:
    """Bass notes have the frequencies of equal temperament, as McLeod and Wyvill's method hears
    them, within 10 cents: the samples of some basses are a few cents off."""
    if own_once(voice("bass", 32, []), font):
        return
    for key in (28, 33, 38, 43, 50):
        found = pitch(alone(32, key, font), 44100, HERTZ[key] / 1.9, HERTZ[key] * 1.9)
        assert 1200 * np.log2(found / HERTZ[key]) == pytest.approx(0, abs=10)


@each_font
def test_tuning_of_the_piano(font: Soundfont) -> None:
    """A piano's first partials are those of equal temperament, by the peak of a long spectrum.

    Within 8 cents: the strings of one note beat against each other.
    """
    for key in (48, 57, 64, 69):
        spectrum = np.abs(np.fft.rfft(alone(0, key, font)[4410:57330] * np.hanning(52920), 1 << 19))
        hertz = np.fft.rfftfreq(1 << 19, 1 / 44100)
        near = np.abs(hertz / HERTZ[key] - 1) < 0.03
        found = float(hertz[near][np.argmax(spectrum[near])])
        assert 1200 * np.log2(found / HERTZ[key]) == pytest.approx(0, abs=8)


def changed(raw: bytes) -> bytes:
    """With another exponent in one float32 sample an eighth of the way, where the note sounds."""
    place = len(raw) // 32 * 4 + 3
    return raw[:place] + bytes([raw[place] ^ 0x40]) + raw[place + 1 :]


def cut(raw: bytes) -> bytes:
    return raw[: len(raw) // 2]


@pytest.mark.parametrize("spoil", [changed, cut])
def test_damaged_copies_are_made_again(
    font: Soundfont,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    spoil: Callable[[bytes], bytes],
) -> None:
    """A note on disk with a changed byte that would be heard, or cut short, is rendered again,
    never played."""
    monkeypatch.setenv("DRILLGEN_CACHE", str(tmp_path))
    notes = performance(2.0, voice("bass", 32, [Played(0.1, 1.0, 40, 84)]))
    right = by_bank(notes, font)
    for file in (tmp_path / "notes").glob("*/*"):
        file.write_bytes(spoil(file.read_bytes()))
    assert np.array_equal(by_bank(notes, font), right)
    assert np.array_equal(by_bank(notes, font), right)


def test_warm_bank_needs_no_synthesiser(font: Soundfont, monkeypatch: pytest.MonkeyPatch) -> None:
    """What has been rendered once is not rendered again, in another process's time either."""
    notes = performance(2.0, voice("bass", 32, [Played(0.1, 1.0, 41, 84)]))
    first = by_bank(notes, font)

    def refuse(*_: Any) -> None:
        raise AssertionError("a note was rendered again")

    monkeypatch.setattr("drillgen.sound.fluidsynth.Synth", refuse)
    assert np.array_equal(by_bank(notes, font), first)


def test_without_a_cache_folder(
    font: Soundfont, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where nothing can be kept (here a file stands in the way), sound is made all the same."""
    notes = performance(2.0, voice("bass", 32, [Played(0.1, 1.0, 42, 84)]))
    right = by_bank(notes, font)
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setenv("DRILLGEN_CACHE", str(tmp_path / "file" / "cache"))
    assert np.array_equal(by_bank(notes, font), right)


def test_the_cache_is_bounded(
    font: Soundfont, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """When the notes on disk outgrow the limit, some go, and sound stays right."""
    monkeypatch.setenv("DRILLGEN_CACHE", str(tmp_path))
    monkeypatch.setattr(bank_module, "Store", partial(Store, limit=600_000))
    notes = performance(
        6.0, voice("bass", 32, [Played(n * 0.5, 0.4, 30 + n, 84) for n in range(9)])
    )
    by_bank(notes, font)
    kept = sum(file.stat().st_size for file in tmp_path.glob("notes/*/*"))
    assert 0 < kept <= 600_000


_FROM_SCRATCH = """\
import hashlib, sys
from drillgen.sound.schedule import gathered
from drillgen.sound.samples import Bank
from drillgen.sound.soundfonts import choose
from tests.sound.helpers import band
with Bank(choose().soundfont, int(sys.argv[1])) as bank:
    parts = gathered(band(4.0), bank).parts
total = hashlib.sha256()
for name in sorted(parts):
    for note in parts[name]:
        total.update(note.copy.tobytes())
print(total.hexdigest())
"""


def test_threads_do_not_disturb_each_other(tmp_path: Path) -> None:
    """Several synthesisers starting at once in a new process render what one alone renders."""
    font = {"DRILLGEN_SOUNDFONT": str(embedded_soundfont())}
    found = set()
    for number, jobs in enumerate((1, 4, 4)):
        cache = {"DRILLGEN_CACHE": str(tmp_path / str(number))}
        done = forking.run([str(jobs)], program=_FROM_SCRATCH, more=font | cache)
        assert done.returncode == 0, done.stderr
        found.add(done.stdout)
    assert len(found) == 1

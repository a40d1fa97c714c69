"""How our own sounds measure, rendered through FluidSynth as a student hears them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy

from tests.bank.conftest import RATE, Note, Said
from tests.pitch import HERTZ, pitch, pitches

UPRIGHT, ELECTRIC = 32, 33  # General MIDI Level 1, from 0
E1, G3, G4 = 28, 55, 67  # MIDI keys
OPEN = (28, 33, 38, 43)  # E1 A1 D2 G2: a bass's strings
TAP, SLAP, SWEEP = 38, 39, 40  # General MIDI 2, brush kit
BASSES = pytest.mark.parametrize("program", [UPRIGHT, ELECTRIC])


@pytest.fixture
def note(played: tuple[Note, Said]) -> Note:
    """See `played`."""
    return played[0]


def levels(sound: Any, seconds: float = 0.05) -> Any:
    """RMS every 10 ms."""
    size = round(seconds * RATE)
    power = np.concatenate([[0.0], np.cumsum(np.square(sound, dtype=np.float64))])
    return np.sqrt((power[size:] - power[:-size])[:: RATE // 100] / size)


def seconds_to_fall(sound: Any, decibels: float) -> float:
    """From the loudest moment until the sound stays so far below it."""
    course = levels(sound)
    top = int(course.argmax())
    return float(np.flatnonzero(course > course[top] * 10 ** (-decibels / 20))[-1] - top) / 100


def brightness(sound: Any) -> float:
    """The spectrum's centroid (as in ISO/IEC 15938-4, there by power) of the first 0.4 s, Hz: in
    short frames it depends by a fifth on where in its frame a note begins."""
    part = sound[: RATE * 4 // 10]
    sizes = np.abs(np.fft.rfft(part * np.hanning(len(part))))
    return float(np.average(np.fft.rfftfreq(len(part), 1 / RATE), weights=sizes))


@BASSES
def test_every_key_is_in_tune(note: Note, program: int) -> None:
    """From E1 to G4 the first partial is within 3 cents of equal temperament on A4 = 440 Hz
    (ISO 16), read from a spectrum."""
    for key in range(E1, G4 + 1):
        sound = note(0, program, key, 84, 2.0, 2.0)[RATE // 10 :]
        size = 1 << 20
        spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
        target = HERTZ[key]
        low, high = (int(target * factor * size / RATE) for factor in (0.95, 1.05))
        found = (low + spectrum[low:high].argmax()) * RATE / size
        assert abs(1200 * np.log2(found / target)) < 3, key


@BASSES
def test_low_open_strings_ring(note: Note, program: int) -> None:
    """The open E and A strings fall by 20 dB within 2 to 4 s: recordings in two free banks have
    2.4 to 3.5 s on upright and 3.9 to 5.6 s on electric bass (FluidR3 and GMbank, measured by
    `benchmarks.sounds`)."""
    for key in OPEN[:2]:
        assert 2.0 <= seconds_to_fall(note(0, program, key), 20) <= 4.0


@BASSES
def test_higher_notes_ring_shorter(note: Note, program: int) -> None:
    """Up the neck notes ring shorter (losses rise with frequency: Fletcher & Rossing, 2.12): by
    octaves always, and between neighbours by no more than a tenth either way."""
    falls = [seconds_to_fall(note(0, program, key), 20) for key in range(E1, G4 + 1)]
    assert all(high < low for low, high in zip(falls, falls[12:], strict=False))
    assert max(abs(np.diff(np.log(falls)))) < np.log(1.105)


@BASSES
def test_open_strings_ring_longer(note: Note, program: int) -> None:
    """An open string rings longer than the stopped note a semitone above it (a finger damps:
    common practice)."""
    for key in OPEN:
        opened, stopped = (seconds_to_fall(note(0, program, each), 20) for each in (key, key + 1))
        assert opened > stopped


@BASSES
def test_stronger_is_brighter(note: Note, program: int) -> None:
    """A stronger pluck is brighter (Karjalainen, Välimäki & Tolonen 1998), in the median of the
    keys by a quarter from velocity 40 to 110, and never darker on any key."""
    ratios = [
        brightness(note(0, program, key, 110, 0.5, 0.5))
        / brightness(note(0, program, key, 40, 0.5, 0.5))
        for key in range(E1, G3 + 1, 3)
    ]
    assert np.median(ratios) >= 1.25
    assert min(ratios) > 1


@BASSES
def test_no_two_takes_are_equal(note: Note, program: int) -> None:
    """The takes of a note correlate by 0.9 at most (1 is a machine gun), and yet are one
    instrument: their loudness differs by less than 1.5 dB."""
    for key in range(E1, G3 + 1, 3):
        takes = [note(bank, program, key, 84, 0.5, 0.5) for bank in range(3)]
        for one, other in ((0, 1), (0, 2), (1, 2)):
            assert np.corrcoef(takes[one], takes[other])[0, 1] <= 0.9
        sizes = [20 * np.log10(np.sqrt(np.mean(np.square(take)))) for take in takes]
        assert max(sizes) - min(sizes) < 1.5


@BASSES
def test_partials_are_stretched(note: Note, program: int) -> None:
    """A stiff string's tenth partial is sharp of ten times the first, by less than 10 cents on an
    open string (Fletcher & Rossing 2.67a: 1 + B n² under a root, B of a thick steel string a few
    hundred-thousandths, from memory)."""
    sound = note(0, program, E1, 110, 2.0, 2.0)[:RATE]
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    first = HERTZ[E1]
    hertz = np.arange(len(spectrum)) * RATE / size
    near = np.abs(hertz - 10 * first) < first / 3
    peak = hertz[near][spectrum[near].argmax()]
    assert 0 < 1200 * np.log2(peak / (10 * first)) < 10


@BASSES
def test_a_dead_note_dies_at_once(note: Note, program: int) -> None:
    """A dead note keeps its attack and falls by 20 dB within 0.2 s while the key is held."""
    plain, dead = (note(bank, program, 36, 84, 2.0, 2.0) for bank in (0, 8))
    assert seconds_to_fall(dead, 20) < 0.2 < seconds_to_fall(plain, 20)
    assert abs(dead[: RATE // 20]).max() > 0.7 * abs(plain[: RATE // 20]).max()


@BASSES
@pytest.mark.parametrize("bank", [16, 17, 18])
def test_a_slide_arrives_in_tune(note: Note, program: int, bank: int) -> None:
    """A slide begins about two semitones below its note and is in tune from 0.2 s on, by McLeod and
    Wyvill's reading of the pitch."""
    sound = note(bank, program, 48, 84, 1.0, 1.0)
    assert 1200 * np.log2(min(pitches(sound[: RATE // 10], RATE, 80, 200)) / HERTZ[48]) < -100
    there = pitch(sound[RATE // 5 : RATE * 7 // 10], RATE, 80, 200)
    assert abs(1200 * np.log2(there / HERTZ[48])) < 5


def test_a_release_damps_the_string(note: Note) -> None:
    """0.1 s after the key is let go a note is 30 dB softer at least."""
    sound = note(0, UPRIGHT, 40, 84, 1.0, 1.5)
    before, after = (np.sqrt(np.mean(np.square(sound[a : a + 2205]))) for a in (40000, 48510))
    assert after < before * 10 ** (-30 / 20)


def test_the_sweep_goes_on(note: Note) -> None:
    """A brush sweeps as long as it is asked to: over eight seconds, several rounds of its loop,
    it never falls 12 dB below its median, and half a second after its end it is silent."""
    sound = note(128, 40, SWEEP, 84, 8.0, 9.5)
    course = levels(sound)
    held = course[20:780]
    assert held.min() > np.median(held) * 10 ** (-12 / 20)
    assert course[-30:].max() < np.median(held) * 10 ** (-40 / 20)


def test_a_sweep_is_noise(note: Note) -> None:
    """A sweep has no pitch: its spectrum is flat (geometric by arithmetic mean of the power
    in frames: Gray and Markel 1974), a bass's is not."""
    sweep, bass = note(128, 40, SWEEP, 84, 1.0, 1.0), note(0, UPRIGHT, 40, 84, 1.0, 1.0)
    flat = []
    for sound in (sweep, bass):
        power = np.abs(scipy.signal.stft(sound[4410:], nperseg=2048)[2]) ** 2 + 1e-20
        flat.append((np.exp(np.log(power).mean(axis=0)) / power.mean(axis=0)).mean())
    assert flat[0] > 50 * flat[1]


def test_taps_are_short_and_differ(note: Note) -> None:
    """A tap and a slap are over in half a second; takes of them correlate by 0.9 at most; the
    slap is louder."""
    for key in (TAP, SLAP):
        takes = [note(128, program, key, 84, 0.3, 1.0) for program in (40, 41, 42)]
        assert all(seconds_to_fall(take, 40) < 0.5 for take in takes)
        assert np.corrcoef(takes)[np.triu_indices(3, 1)].max() <= 0.9
    tap, slap = (abs(levels(note(128, 40, key, 84, 0.3, 1.0))).max() for key in (TAP, SLAP))
    assert slap > tap


def test_the_ride_tells_bow_from_bell(note: Note) -> None:
    """On the bell a ride rings with a few strong tones, on the bow with hundreds: of the energy
    below 8 kHz the ten strongest peaks of the spectrum have half as much again on the bell, and
    less than half of it all on the bow (Fletcher & Rossing, chapter 20)."""
    shares = []
    for key in (51, 53):  # General MIDI: Ride Cymbal 1, Ride Bell
        sound = note(128, 40, key, 84, 2.0, 2.0)[RATE // 10 :]
        spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
        spectrum = spectrum[: 8000 * len(sound) // RATE]
        peaks, _ = scipy.signal.find_peaks(spectrum)
        strongest = np.sort(spectrum[peaks] ** 2)[::-1]
        shares.append(strongest[:10].sum() / strongest.sum())
    assert shares[1] > 1.5 * shares[0]
    assert shares[0] < 0.5


def test_the_stick_is_heard_on_the_ride(note: Note) -> None:
    """Where a cymbal has little, from 200 Hz to 1 kHz, the wood of the stick knocks: the first
    12 ms have at least 5 dB more a second than what rings on (7 dB in FluidR3 and GMbank)."""
    sound = note(128, 0, 51, 100, 1.0, 1.0)
    sound = sound[np.flatnonzero(np.abs(sound) > np.abs(sound).max() / 20)[0] :]
    levels = []
    for begin, end in ((0.0, 0.012), (0.1, 0.3)):
        piece = sound[round(begin * RATE) : round(end * RATE)]
        power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), RATE)) ** 2  # a bin a hertz
        levels.append(10 * np.log10(power[200:1000].sum() / (end - begin)))
    assert levels[0] - levels[1] >= 5


def test_hats_cut_each_other(note: Note, own: Any) -> None:
    """The pedal silences an open hi-hat: both stand in one exclusive class (SoundFont 2.04,
    8.1.3)."""
    from drillgen.sound.fluidsynth import Synth
    from drillgen.sound.release import measured_chokes

    with Synth(own) as synth:
        synth.select(True, 40)
        pairs = measured_chokes(synth, (42, 44, 46))
    assert {(42, 46), (44, 46)} <= pairs

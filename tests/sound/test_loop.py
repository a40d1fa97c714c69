"""Loops that go round without a seam."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drillgen.performance import Performance
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import Soundfont
from tests.sound.helpers import EVERYONE, band, level, read

ROUND = 6.4  # seconds: more than the room's memory, not a whole number of anything
COUNT = round(ROUND * 44100)


def rounds(times: int) -> Performance:
    """A count-in of a second, then the same music so often."""
    once = band(ROUND + 1)
    voices = tuple(
        replace(
            voice,
            notes=tuple(
                replace(note, start=1 + note.start + number * COUNT / 44100)
                for number in range(times)
                for note in voice.notes
                if note.start < ROUND
            ),
        )
        for voice in once.voices
    )
    return replace(once, voices=voices, seconds=1 + times * ROUND + 2)


def heard(path: Path, notes: Performance, font: Soundfont, room: Any, **more: Any) -> Any:
    request = MixRequest("all", EVERYONE, path)
    report = render(notes, [request], soundfont=font, room=room, target_lufs=-30.0, **more)
    return read(path) / 10 ** (report.gain_db / 20)


@pytest.mark.parametrize("room", ["off", "small", 1.0])
def test_played_twice_it_is_twice_as_long(tmp_path: Path, font: Soundfont, room: Any) -> None:
    """A loop is what a longer track of the same music has in its later rounds.

    Compared is the second of three rounds: what differs is rounding and dither, 70 dB down.  The
    soundfont plays everything: our own basses have other takes in each round.
    """
    font = replace(font, place="asked for")
    loop = heard(tmp_path / "a.wav", rounds(1), font, room, loop=(1.0, 1.0 + ROUND))
    long = heard(tmp_path / "b.wav", rounds(3), font, room)
    assert loop.shape == (2, COUNT)
    second = long[:, 44100 + COUNT : 44100 + 2 * COUNT]
    assert level(loop - second) < level(second) - 45


def test_no_click_at_the_seam(tmp_path: Path, font: Soundfont) -> None:
    """Where the end meets the start, neighbouring samples differ no more than elsewhere."""
    loop = heard(tmp_path / "a.wav", rounds(1), font, "small", loop=(1.0, 1.0 + ROUND))
    steps = np.abs(np.diff(np.concatenate([loop[:, -2000:], loop[:, :2000]], axis=1)))
    assert steps[:, 1999].max() <= np.quantile(steps, 0.999)
    assert level(loop[:, -500:]) > -60  # it is not faded


def test_an_early_note_belongs_to_the_beat(tmp_path: Path, font: Soundfont) -> None:
    """A note just before the loop's start sounds at its end; the count-in is left out."""
    notes = rounds(1)
    line = next(voice for voice in notes.voices if voice.part == "line")
    early = replace(line.notes[0], start=0.98)
    alone = replace(notes, voices=(replace(line, notes=(early,)),))
    loop = heard(tmp_path / "a.wav", alone, font, "off", loop=(1.0, 1.0 + ROUND))
    assert level(loop[:, -800:]) > level(loop[:, 88200:-1000]) + 20

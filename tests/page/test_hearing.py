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
from tests.page.answers import Played, as_asked, asked_of, plucked, written
from tests.page.pages import HOSTILE, Made, View, make_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PHRASES = {
    **HOSTILE[0],
    "title": "Answers",
    "line": "phrases",
    "tempo": 140,
    "count_in": 1,
    "band": {"drums": "sticks", "comping": "piano"},
}
WITHOUT = {**PHRASES, "title": "No answers", "gaps": None, "line": None}


@pytest.fixture(scope="module")
def asking(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A drill that asks for answers, and one that has no responses."""
    without = {key: value for key, value in WITHOUT.items() if value is not None}
    return make_page(tmp_path_factory.mktemp("asking"), [PHRASES, without])


def opened(view: View) -> View:
    view.page.click("#answers summary")
    return view


_MARKS = """all => all.map(each =>
    [...each.querySelectorAll('[aria-hidden]')].map(mark => mark.textContent))"""


def marks(view: View) -> list[list[str]]:
    """The sign and name of each asked note, the first answer first."""
    found = view.page.eval_on_selector_all(
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

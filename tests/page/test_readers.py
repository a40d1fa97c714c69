"""Who reads the page's sheet: what is seen otherwise, against music21's own transpositions."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

import pytest
from music21 import interval, pitch

from drillgen.page import Picture, Reading, Stand, Take
from drillgen.page.values import layout
from drillgen.performance import perform
from drillgen.score import Note
from drillgen.sheet.reader import readers
from tests.page.pages import Made, View
from tests.page.test_page import violations
from tests.sheet.written import read, sheets_of, symbols

if TYPE_CHECKING:
    from music21 import stream
    from playwright.sync_api import Browser

# From concert pitch to how it is written (common practice).
UP = {"Bb": "M2", "Eb": "M6", "horn": "P5", "treble": "P1"}
# SMuFL 1.4, "Clefs": the code points of the bass, G and C clefs.
CLEFS = {"": "E062", "Bb": "E050", "tenor": "E05C"}
SIGNS = str.maketrans({"♭": "-", "♯": "#"})  # music21's own


def moved(name: str, reader: str) -> str:
    """A concert pitch's name, without its octave, as a reader sees it."""
    up = interval.Interval(UP[reader])
    return str(up.transposePitch(pitch.Pitch(name)).name)


def alike(one: str, other: str) -> bool:
    return pitch.Pitch(one).pitchClass == pitch.Pitch(other).pitchClass


def names(score: stream.Score) -> list[str]:
    """The notes that begin, ties apart, as they are written."""
    notes = (n for n in score.recurse().notes if hasattr(n, "pitch") and n.notehead != "slash")
    return [n.pitch.name for n in notes if not n.tie or n.tie.type == "start"]


@pytest.mark.parametrize("reader", UP)
def test_what_is_said_is_what_the_sheet_has(reader: str) -> None:
    """For each reader the page names keys, chords and starting notes as that reader's MusicXML has
    and spells them, as far above concert pitch as music21 moves them, with the concert key and note
    beside.  Who reads at concert pitch sees what sounds; no one sees a dictation's first note."""
    score, found = sheets_of(
        key_cycle=["C", "B", "Ab", "F#m"],
        line="roots",
        gaps="off",
        ending="none",
        sheet={"also_for": [reader]},
    )
    take = Take(score.chart, score, perform(score))
    stand = Stand("x", score.chart.keys, (take,), tuple(_readings(score, found)))
    keys, sheet = score.chart.keys, found.others[0]
    sheets = [[("wide", "narrow")] * len(keys)] * 2
    data = layout(take, stand, sheets, {})
    secret = layout(_dictated(take), stand, sheets, {note.pitch.midi: 5 for note in _line(take)})
    assert all(key["first"] == {"name": "", "what": "", "tone": 5} for key in secret["keys"])
    assert not any(key.get("first") for key in secret["read"][1]["keys"])
    assert "chords" not in data["read"][0]
    seen = data["read"][1]
    if UP[reader] == "P1":
        assert "chords" not in seen and all(set(key) == {"sheet", "narrow"} for key in seen["keys"])
        return
    chords = zip(data["bars"], seen["chords"], strict=True)
    by_key = groupby((pair for pair in chords if pair[0][0]), key=lambda pair: pair[0][1])
    for (_, bars), key, section, concert in zip(
        by_key, seen["keys"], sheet.sections, data["keys"], strict=True
    ):
        music = read(section.musicxml)
        tonic, sounding = re.fullmatch(r"(\S+) m\w+ \(concert (\S+) m\w+\)", key["seen"]).groups()  # type: ignore[union-attr]
        assert concert["label"].startswith(sounding)
        assert alike(moved(sounding.translate(SIGNS), reader), tonic.translate(SIGNS))
        for (bar, (text,)), (root, _) in zip(bars, symbols(music), strict=True):
            written = _root(text)
            assert written == root.replace("b", "-")
            assert alike(written, moved(_root(bar[4][0][0]), reader))
        note = concert["first"]["name"]
        assert key["first"]["name"].translate(SIGNS) == names(music)[0]
        assert key["first"]["what"].startswith(f"concert {note}, root of ")


def _line(take: Take) -> tuple[Note, ...]:
    line = take.score.part("line")
    assert line is not None
    return line.notes


def _dictated(take: Take) -> Take:
    drill = take.chart.drill
    assert drill.line is not None
    line = drill.line.model_copy(update={"dictation": True})
    asked = drill.model_copy(update={"line": line})
    return replace(take, chart=replace(take.chart, drill=asked))


def _readings(score: Any, found: Any) -> Any:
    for name, reader in readers(score.chart.drill):
        sheet = found.of(name)[0]
        drawn = tuple(Picture("", label=section.label) for section in sheet.sections)
        yield Reading(name, reader, drawn, sheet.shown_in, ())


def _root(text: str) -> str:
    return re.match(r"[A-G][♭♯]*", text)[0].translate(SIGNS)  # type: ignore[index]


def test_a_reader_is_chosen(browser: Browser, made: Made) -> None:
    """By keyboard, while it plays: the sheet is the reader's own, in clef and in every note's name
    as music21 transposes the concert sheet; keys, chords, bars and the linked PDF are, too, and the
    concert key stands beside.  It goes on playing, at a phone's width nothing sticks out, and the
    choice is in the address, which another browser opens as it was sent."""
    folder = next(each for each in made.folder.iterdir() if "ear" in each.name)
    sounding = names(read((folder / "sheet answers.musicxml").read_text("utf-8")))
    phone = {"viewport": {"width": 360, "height": 740}}
    with View(browser, made.index.as_uri(), **phone) as view:
        assert view.page.is_hidden("#reading")  # nobody else reads the first drill
        view.page.select_option("#drill", "1")
        view.until("title", "^By ear")
        view.page.select_option("#line", "shown")
        view.set(names=True, count_in=False, repeat=True, tempo=60)
        assert _drawn(view) == ([name.replace("-", "♭") for name in sounding], CLEFS[""])
        view.page.focus("#reader")
        view.page.keyboard.press("ArrowDown")
        view.page.wait_for_selector("#strip svg[aria-label='Sheet, E minor (concert D minor)']")
        written = [moved(name, "Bb").replace("-", "♭").replace("#", "♯") for name in sounding]
        assert _drawn(view) == (written, CLEFS["Bb"])
        first = moved(sounding[0], "Bb").replace("-", "♭")
        assert view.text("first-note") == first and "of Em7" in view.text("first-what")
        assert set(view.page.locator("#bars .chords").all_text_contents()) == {"Em7"}
        links = view.page.eval_on_selector_all("#papers a", "all => all.map(a => a.href)")
        files = [link.rsplit("/", 1)[-1] for link in links]
        assert files == ["sheet%20for%20Bb.pdf", "sheet%20answers%20for%20Bb.pdf"]
        assert view.page.evaluate("document.documentElement.scrollWidth") <= 360
        view.play()
        view.until("chord", "^Em7$")
        view.page.evaluate(_CHOOSE, "tenor")
        view.until("chord", "^Dm7$")
        assert view.text("play-word") == "Pause" and view.text("place").endswith("D minor")
        assert _drawn(view)[1] == CLEFS["tenor"]
        view.page.click("#play")
        view.page.select_option("#reader", "Bb")
        view.page.click("#link")
        link = view.page.url
        assert view.problems == [] == violations(view)
    with View(browser, link) as view:
        assert view.page.input_value("#reader") == "Bb"
        assert view.text("place").endswith("E minor (concert D minor)")
        view.page.select_option("#drill", "0")  # which has no such reader
        view.page.wait_for_selector("#strip svg[aria-label^='Sheet, C major']")
        view.page.select_option("#drill", "1")
        view.page.wait_for_selector("#strip svg[aria-label^='Sheet, E minor']")


# What plays folds the choices of a phone's page away.
_CHOOSE = """name => {
    reader.value = name;
    reader.dispatchEvent(new Event("change"));
}"""


def _drawn(view: View) -> tuple[list[str], str]:
    """The names under the notes, and the clef's code point."""
    view.page.wait_for_selector("#strip .sheet-written", state="attached")
    clef = view.page.eval_on_selector(
        "#strip use[href*='E05'], #strip use[href*='E06']", "use => use.getAttribute('href')"
    )
    found = re.search(r"(E0[56][0-9A-F])", clef)
    assert found
    return view.page.locator("#strip .sheet-written").all_text_contents(), found[1]

"""Draw the examples of `lines.md`: `python -m docs.draw`.

Each example is written as notation (SVG, drawn by verovio from the tool's own MusicXML) and as a
MIDI file with the band, into `docs/lines/`, and the page shows both under the line.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import verovio
from ruamel.yaml import YAML

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.reader import drill_of
from drillgen.drill.sheet import SheetSpec
from drillgen.midi import midi_files
from drillgen.performance import perform
from drillgen.score import Score
from drillgen.sheet.musicxml import Heading, musicxml
from drillgen.sheet.notation import BarMarks
from drillgen.sheet.reader import reader_of
from drillgen.sheet.sheets import SheetRequest, compose

PAGE = Path(__file__).parent / "lines.md"
FOLDER = Path(__file__).parent / "lines"
_EXAMPLE = re.compile(
    r"```yaml\n(?P<drill>.*?)```\n\n```text\n.*?```\n(?P<shown>\n!\[[^\n]*\n\[[^\n]*\n)?", re.DOTALL
)
_OPTIONS = {
    "breaks": "none",
    "adjustPageWidth": True,
    "adjustPageHeight": True,
    "header": "none",
    "footer": "none",
    "scale": 45,
    "pageMarginLeft": 30,
    "pageMarginRight": 30,
    "smuflTextFont": "embedded",
    "xmlIdSeed": 1,  # the same drawing each time
}


def main() -> None:
    """Draw every example and link it."""
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.iterdir():
        old.unlink()
    text = PAGE.read_text("utf-8")
    count: dict[str, int] = {}

    def drawn(found: re.Match[str]) -> str:
        section = re.findall(r"^## (.*)$", text[: found.start()], re.MULTILINE)[-1]
        count[section] = count.get(section, 0) + 1
        name = f"{section.lower().replace(' ', '-')}-{count[section]}"
        draw(found["drill"], name)
        example = found[0].removesuffix(found["shown"] or "")
        return (
            f"{example}\n![{section}, written out](lines/{name}.svg)\n[Hear it](lines/{name}.mid)\n"
        )

    PAGE.write_text(_EXAMPLE.sub(drawn, text), "utf-8")


def draw(text: str, name: str) -> None:
    """Write an example's first key as SVG, and all of it as MIDI."""
    score = arrange(charts(drill_of(YAML(typ="safe", pure=True).load(text)))[0])
    toolkit = verovio.toolkit()
    toolkit.setOptions(_OPTIONS)
    toolkit.loadData(_without_degrees(notation(score)))
    (FOLDER / f"{name}.svg").write_text(toolkit.renderToSVG(1), "utf-8")
    (played,) = midi_files(perform(score), score.chart.drill.title, [()])
    (FOLDER / f"{name}.mid").write_bytes(played)


def _without_degrees(text: str) -> str:
    """verovio prints `<degree>` beside the kind's own text, though it is not to be printed."""
    return re.sub(r"<degree .*?</degree>", "", text, flags=re.DOTALL)


def notation(score: Score) -> str:
    """The first key's calls (or all its bars), with what each note is for under it."""
    line = score.part("line")
    assert line is not None
    reader = reader_of(SheetSpec(), line.instrument)
    wanted = SheetRequest(reader, line=True, chords=True, degrees=True)
    music = next(compose(score, wanted, "")).music
    calls = tuple(
        replace(bar, marks=BarMarks())
        for bar in music.printed
        if bar.measure.place.pickup or bar.measure.place.bar.role in ("call", "play")
    )
    heading = Heading(score.chart.drill.title, "", reader.clef, reader.written)
    return musicxml(heading, [replace(music, printed=calls)])


if __name__ == "__main__":
    main()

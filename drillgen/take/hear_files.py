"""What was heard, as files: `hear.json`, and one page with a picture of each response."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from html import escape
from importlib import resources
from pathlib import Path

from drillgen.disk import whole_file
from drillgen.errors import reason
from drillgen.take import HeardNote, HearingError, tables
from drillgen.take.judge import JudgedResponse, Verdict
from drillgen.take.report import (
    COLUMNS,
    HeardTake,
    Rows,
    as_data,
    bars_of,
    by_key,
    errs,
    extra_words,
    guesses,
    headline,
    next_step,
    off,
    row,
    short_key,
    summary,
    tables_of,
    tuned,
    words_of,
)


def files(takes: Sequence[HeardTake], folder: Path) -> list[Path]:
    """Write `hear.json` and `hear.html`.  Raises HearingError where they cannot be written, or
    where another program's file has that name."""
    data = json.dumps(as_data(takes), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    contents = {"hear.json": data, "hear.html": as_page(takes)}
    for name in contents:
        if (folder / name).exists() and not _ours(folder / name):
            raise HearingError(f"{folder / name} is there, and is not ours; name a folder with -o")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in contents.items():
            with whole_file(folder / name) as file:
                file.write(text.encode("utf-8"))
    except OSError as error:
        raise HearingError(f"cannot write into {folder}: {reason(error)}") from error
    return [folder / name for name in contents]


_HEAD = 400  # bytes in which a file of ours says so


def _ours(path: Path) -> bool:
    """Whether a file is an older one of ours, which may be replaced."""
    try:
        with path.open("rb") as file:
            return b"drillgen" in file.read(_HEAD)
    except OSError:
        return False


_SECOND, _SEMITONE, _EDGE = 62.0, 9.0, 26.0  # pixels


def as_page(takes: Sequence[HeardTake]) -> str:
    """One document with a picture of each response, which loads nothing."""
    title = takes[0].placed.track.drill if takes else "drillgen hear"
    body = [_html_table(rows, said) for said, rows in tables_of(takes)]
    body += [_take_html(take) for take in takes]
    page = resources.files("drillgen.take").joinpath("hear.html").read_text("utf-8")
    for name, text in (("title", escape(title)), ("errs", escape(errs()))):
        page = page.replace("{{" + name + "}}", text)
    return page.replace("{{body}}", "\n".join([*body, _legend()]))


def _html_table(rows: Rows, title: str = "") -> str:
    head, *others = rows
    said = f"<caption>{escape(title)}</caption>" if title else ""
    lines = ["".join(f"<th>{escape(cell)}" for cell in head)]
    lines += ["".join(f"<td>{escape(cell)}" for cell in row) for row in others]
    return f"<div class=wide><table>{said}<tr>" + "<tr>".join(lines) + "</table></div>"


def _take_html(take: HeardTake) -> str:
    rows: Rows = [row(short_key(key), summary(own)) for key, own in by_key(take.judged).items()]
    step = next_step(take.judged, take.placed.track.tempo)
    said = [*tuned(take), *take.warnings, *guesses(take.judged)]
    parts = [
        f"<h2>{escape(headline(take))}</h2>",
        _html_table([("key", *COLUMNS), *rows]),
        *(f"<p>{escape(each)}</p>" for each in said),
        f"<p>Next: {escape(step['words'])} {escape(tables()['next']['rules'])}</p>",
        f"<p class=care>{escape(tables()['care'])}</p>",
        *(_response_html(each, take.placed.tuning.cents) for each in take.judged),
    ]
    return "\n".join(parts)


def _response_html(judgement: JudgedResponse, tuning: float) -> str:
    response, said = judgement.response, off(judgement, tuning)
    count = f"{judgement.right} of {len(response.notes)}"
    listed = "".join(f"<li>{escape(each)}" for each in said)
    return (
        f"<section><h3>{escape(response.key)}, {bars_of(response)}: {count}</h3>"
        f"<div class=wide>{picture(judgement, tuning)}</div>"
        f"<p class=said aria-live=polite></p><ul>{listed}</ul></section>"
    )


def picture(judgement: JudgedResponse, tuning: float) -> str:
    """A response as SVG: asked notes outlined, heard ones filled, each with its sign and words."""
    canvas = _Canvas(judgement, tuning)
    key = judgement.response.key
    parts = [*canvas.bars()]
    parts += [canvas.note(each, words_of(each, key, tuning)) for each in judgement.verdicts]
    parts += [canvas.extra(note, extra_words(note, key, tuning)) for note in judgement.extra]
    width, height = canvas.size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}"'
        f' viewBox="0 0 {width:.0f} {height:.0f}">{"".join(parts)}</svg>'
    )


class _Canvas:
    """Where seconds and pitches lie in a picture."""

    def __init__(self, judgement: JudgedResponse, tuning: float) -> None:
        self._response, self._tuning = judgement.response, tuning / 100
        heard = [v.heard for v in judgement.verdicts if v.heard] + list(judgement.extra)
        starts = [note.start for note in judgement.response.notes]
        starts += [note.start for note in heard]
        pitches = [float(n.key) for n in judgement.response.notes]
        pitches += [note.pitch - self._tuning for note in heard]
        self._from = min([self._response.start, *starts]) - 0.1
        self._until = max([self._response.end, *(note.end for note in heard)]) + 0.1
        self._low: float = min(pitches) - 1
        self._high: float = max(pitches) + 1

    @property
    def size(self) -> tuple[float, float]:
        """Width and height."""
        height = (self._high - self._low) * _SEMITONE + 2 * _EDGE
        return (self._until - self._from) * _SECOND, height

    def _x(self, seconds: float) -> float:
        return (seconds - self._from) * _SECOND

    def _y(self, pitch: float) -> float:
        return _EDGE + (self._high - pitch) * _SEMITONE

    def bars(self) -> Iterator[str]:
        """Lines between bars."""
        response, height = self._response, self.size[1]
        count = response.last_bar - response.first_bar + 1
        for number in range(count + 1):
            x = self._x(response.start + (response.end - response.start) * number / count)
            yield f'<line class="bar" x1="{x:.1f}" x2="{x:.1f}" y1="0" y2="{height:.0f}"/>'
            if number < count:
                yield f'<text x="{x + 3:.1f}" y="11">{response.first_bar + number}</text>'

    def note(self, verdict: Verdict, words: str) -> str:
        """An asked note, and what was heard for it."""
        asked, name = verdict.asked, verdict.verdict
        box = self._box(asked.start, asked.end, asked.key, f"asked {name}")
        y = self._y(asked.key)
        label = f'<text x="{self._x(asked.start):.1f}" y="{y + 18:.1f}">{asked.name}</text>'
        if verdict.heard is None:
            return self._told(words, box + label + self._sign(name, asked.start, y - 8))
        heard = self._heard(verdict.heard, name)
        above = min(self._y(verdict.heard.pitch - self._tuning), y) - 8
        return self._told(words, heard + box + label + self._sign(name, asked.start, above))

    def extra(self, note: HeardNote, words: str) -> str:
        """A note that nobody asked for."""
        above = self._y(note.pitch - self._tuning) - 8
        return self._told(
            words, self._heard(note, "extra") + self._sign("extra", note.start, above)
        )

    def _heard(self, note: HeardNote, verdict: str) -> str:
        return self._box(note.start, note.end, note.pitch - self._tuning, f"heard {verdict}")

    def _box(self, start: float, end: float, pitch: float, kind: str) -> str:
        width = max((end - start) * _SECOND, 2)
        return (
            f'<rect class="{kind}" x="{self._x(start):.1f}" y="{self._y(pitch) - 4.5:.1f}"'
            f' width="{width:.1f}" height="9" rx="2"/>'
        )

    def _sign(self, verdict: str, seconds: float, y: float) -> str:
        sign = tables()["verdicts"][verdict]["sign"]
        return f'<text class="sign" x="{self._x(seconds) + 5:.1f}" y="{y:.1f}">{sign}</text>'

    @staticmethod
    def _told(words: str, inner: str) -> str:
        said = escape(words)
        return f'<g tabindex="0" role="img" aria-label="{said}"><title>{said}</title>{inner}</g>'


def _legend() -> str:
    rows = [(each["sign"], each["word"]) for each in tables()["verdicts"].values()]
    return "<h3>Signs</h3>" + _html_table([("sign", "outline: asked; filled: heard"), *rows])

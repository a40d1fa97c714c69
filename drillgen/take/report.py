"""What was heard, told: values for `hear.json`, text for a terminal, one page with pictures.

`docs/hear.md` describes the file.  Words and signs are those of `tables.json`.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from importlib import resources
from pathlib import Path
from statistics import median
from typing import Any

from drillgen.disk import whole_file
from drillgen.errors import reason
from drillgen.take import AskedResponse, HeardNote, HearingError, tables
from drillgen.take.asked import AskedTrack, named
from drillgen.take.judge import JudgedResponse, Verdict, judged
from drillgen.take.listen import recording
from drillgen.take.notes import listen
from drillgen.take.place import Placed, in_track, placed
from drillgen.version import VERSION

Values = dict[str, Any]


@dataclass(frozen=True, slots=True)
class HeardTake:
    """A recording with its verdicts."""

    file: str
    seconds: float
    placed: Placed
    judged: tuple[JudgedResponse, ...]
    warnings: tuple[str, ...] = ()


def hear(path: Path, tracks: Sequence[AskedTrack], at: float | None = None) -> HeardTake:
    """Listen to a recording, find its place and judge it.

    `at`: about which second of the track it begins with, where that is known.  Raises HearingError
    where it cannot be read, nothing is heard in it, or it does not sound like any of the tracks.
    """
    read = recording(path)
    heard = listen(read.sound)
    if not heard:
        raise HearingError(f"{path}: no note can be made out in it; was the right input recorded?")
    try:
        place = placed(tracks, heard, read.seconds, at)
    except HearingError as error:
        raise HearingError(f"{path}: {error}") from error
    inside = list(_covered(place.track.responses, place.at, read.seconds))
    found = judged(inside, in_track(heard, place.at), place.tuning)
    return HeardTake(path.name, read.seconds, place, tuple(found), read.warnings)


def hear_all(
    paths: Sequence[Path], tracks: Sequence[AskedTrack], at: float | None = None
) -> list[HeardTake]:
    """Every recording.  Raises HearingError: what is wrong with each that cannot be judged, and
    nothing is judged then."""
    takes, wrong = [], []
    for path in paths:
        try:
            takes.append(hear(path, tracks, at))
        except HearingError as error:
            wrong.append(str(error))
    if wrong:
        raise HearingError("\n".join(wrong))
    return takes


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


_SURE = 0.15  # seconds: a note that is due so near to a recording's end is not asked for


def _covered(
    responses: Iterable[AskedResponse], at: float, seconds: float
) -> Iterator[AskedResponse]:
    """The responses, as far as the recording goes on while they are due."""
    for response in responses:
        notes = tuple(n for n in response.notes if at <= n.start < at + seconds - _SURE)
        if notes:
            yield replace(response, notes=notes)


# Sums.


def summary(responses: Iterable[JudgedResponse]) -> Values:
    """Counts, and the middle and spread of lateness (ms) and intonation (cents) of right notes."""
    responses = list(responses)
    verdicts = [verdict for response in responses for verdict in response.verdicts]
    good = tables()["counts_as_right"]
    right = [verdict for verdict in verdicts if verdict.verdict in good]
    ms, ms_spread = _middle([verdict.ms for verdict in right])
    cents, cents_spread = _middle([verdict.cents for verdict in right])
    return {
        "asked": len(verdicts),
        "right": len(right),
        "extra": sum(len(response.extra) for response in responses),
        "ms": ms,
        "ms_spread": ms_spread,
        "cents": cents,
        "cents_spread": cents_spread,
    }


def _middle(values: Sequence[float]) -> tuple[float, float]:
    """The median, and the median distance from it; noughts of none."""
    if not values:
        return 0.0, 0.0
    middle = median(values)
    spread = median(abs(value - middle) for value in values)
    return round(middle, 1) + 0.0, round(spread, 1)  # no -0.0


def by_key(responses: Sequence[JudgedResponse]) -> dict[str, list[JudgedResponse]]:
    """The responses of each key, keys in the order in which they come."""
    found: dict[str, list[JudgedResponse]] = {}
    for response in responses:
        found.setdefault(response.response.key, []).append(response)
    return found


def next_step(responses: Sequence[JudgedResponse], tempo: float) -> Values:
    """What to do next, by the rules of the table: its tempo, the keys that are not clean yet,
    weakest first, and words."""
    rules = tables()["next"]
    shares = {}
    clean = True
    for key, own in by_key(responses).items():
        rounds = [each.right / max(len(each.response.notes), 1) for each in own]
        last = rounds[-rules["clean_rounds"] :]
        shares[key] = sum(rounds) / len(rounds)
        clean &= len(last) == rules["clean_rounds"] and min(last) >= rules["clean_share"]
    weak = sorted(
        (key for key, share in shares.items() if share < rules["clean_share"]),
        key=shares.__getitem__,
    )
    whole = summary(responses)
    if whole["right"] < rules["slower_below"] * whole["asked"]:
        tempo, words = _tempo(tempo, 1 - rules["slower"]), "Slower, at {tempo}: {keys} first."
    elif weak:
        words = "At {tempo} again, {keys} first."
    elif clean:
        tempo, words = _tempo(tempo, 1 + rules["faster"]), "Two clean rounds of every key: {tempo}."
    else:
        words = "Clean so far: once more at {tempo}, to be sure of it."
    return {
        "tempo": tempo,
        "keys": weak,
        "words": words.format(tempo=f"{tempo:g}", keys=", ".join(map(_short, weak))),
    }


def _tempo(tempo: float, times: float) -> float:
    return float(round(tempo * times))


def _short(key: str) -> str:
    """`Bb major` as `Bb`, `F minor` as it is."""
    return key.removesuffix(" major")


def guesses(responses: Sequence[JudgedResponse]) -> list[str]:
    """Sentences on what may be the cause of what is off most, each marked as a guess."""
    counts = Counter(each.verdict for response in responses for each in response.verdicts)
    total = max(sum(counts.values()), 1)
    return [
        str(rule["words"])
        for verdict, rule in tables()["guesses"].items()
        if counts[verdict] >= rule["least"] and counts[verdict] >= rule["share"] * total
    ]


# Words.


def words_of(verdict: Verdict, key: str, tuning: float) -> str:
    """A verdict in words: "B2 was 80 ms late"."""
    heard = verdict.heard
    return str(tables()["verdicts"][verdict.verdict]["words"]).format(
        name=verdict.asked.name,
        heard=_heard_name(heard, key, tuning) if heard else "",
        cents=f"{abs(verdict.cents):.0f}",
        ms=f"{abs(verdict.ms):.0f}",
    )


def _heard_name(note: HeardNote, key: str, tuning: float) -> str:
    return named(round(note.pitch - tuning / 100), key)


def extra_words(note: HeardNote, key: str, tuning: float) -> str:
    """What is said of a note that nobody asked for."""
    words = str(tables()["verdicts"]["extra"]["words"])
    return words.format(heard=_heard_name(note, key, tuning))


def off(judgement: JudgedResponse, tuning: float) -> list[str]:
    """What is to be said of a response, a phrase each; nothing of what was right."""
    key = judgement.response.key
    said = [words_of(v, key, tuning) for v in judgement.verdicts if v.verdict != "right"]
    return said + [extra_words(note, key, tuning) for note in judgement.extra]


def _bars(response: AskedResponse) -> str:
    one = response.first_bar == response.last_bar
    return f"bar {response.first_bar}" if one else f"bars {response.first_bar}-{response.last_bar}"


# `hear.json`.


def as_data(takes: Sequence[HeardTake]) -> Values:
    """Everything, as `docs/hear.md` describes it."""
    return {
        "program": "drillgen",
        "version": VERSION,
        "format": tables()["format"],
        "recordings": [_take_data(take) for take in takes],
    }


def _take_data(take: HeardTake) -> Values:
    track, tuning = take.placed.track, take.placed.tuning
    return {
        "file": take.file,
        "seconds": round(take.seconds, 3),
        "track": {
            "name": track.name,
            "drill": track.drill,
            "tempo": track.tempo,
            "keys": track.keys,
        },
        "at": round(take.placed.at, 3),
        "tuning": round(tuning.cents, 1),
        "octaves": tuning.octaves,
        "summary": summary(take.judged),
        "keys": [{"key": key, **summary(own)} for key, own in by_key(take.judged).items()],
        "responses": [_response_data(each) for each in take.judged],
        "next": next_step(take.judged, track.tempo),
        "guesses": guesses(take.judged),
        "warnings": list(take.warnings),
    }


def _response_data(judgement: JudgedResponse) -> Values:
    response = judgement.response
    return {
        "key": response.key,
        "bars": [response.first_bar, response.last_bar],
        "start": round(response.start, 4),
        "end": round(response.end, 4),
        "notes": [_verdict_data(verdict) for verdict in judgement.verdicts],
        "extra": [_heard_data(note) for note in judgement.extra],
    }


def _verdict_data(verdict: Verdict) -> Values:
    asked = verdict.asked
    return {
        "name": asked.name,
        "key": asked.key,
        "start": round(asked.start, 4),
        "end": round(asked.end, 4),
        "verdict": verdict.verdict,
        "heard": _heard_data(verdict.heard) if verdict.heard else None,
        "ms": round(verdict.ms, 1),
        "cents": round(verdict.cents, 1),
        "length": verdict.length,
    }


def _heard_data(note: HeardNote) -> Values:
    return {
        "start": round(note.start, 4),
        "end": round(note.end, 4),
        "pitch": round(note.pitch, 3),
    }


# A terminal's text.


def clock(seconds: float) -> str:
    """`1:05`; `-0:02` before the track."""
    whole = round(abs(seconds))
    return f"{'-' if seconds < 0 and whole else ''}{whole // 60}:{whole % 60:02d}"


def as_text(takes: Sequence[HeardTake]) -> str:
    """All takes: a table where there are several, then what is to be said of each."""
    parts = [as_table(takes)] if len(takes) > 1 else []
    parts += ["\n".join(_take_lines(take)) for take in takes]
    return "\n\n".join([*parts, errs()])


def errs() -> str:
    """That a machine's ear errs, and how often."""
    return str(tables()["errs"])


_COLUMNS = ("", "right", "more", "time (ms)", "in tune (cents)")


def as_table(takes: Sequence[HeardTake]) -> str:
    """A row a recording."""
    return "\n".join(_laid_out([("recording", *_COLUMNS[1:])] + [_row_of(take) for take in takes]))


def _row_of(take: HeardTake) -> tuple[str, ...]:
    return _row(take.file, summary(take.judged))


def _row(name: str, sums: Values) -> tuple[str, ...]:
    return (
        name,
        f"{sums['right']} of {sums['asked']}",
        str(sums["extra"] or "-"),
        f"{sums['ms']:+.0f} ± {sums['ms_spread']:.0f}",
        f"{sums['cents']:+.0f} ± {sums['cents_spread']:.0f}",
    )


def _laid_out(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _take_lines(take: HeardTake) -> Iterator[str]:
    yield _headline(take)
    yield from (f"  {said}" for said in _tuned(take))
    yield from (f"  note: {said}" for said in take.warnings)
    rows = [_row(_short(key), summary(own)) for key, own in by_key(take.judged).items()]
    yield from (f"  {line}" for line in _laid_out([_COLUMNS, *rows]))
    for judgement in take.judged:
        said = off(judgement, take.placed.tuning.cents)
        if said:
            where = f"{_short(judgement.response.key)}, {_bars(judgement.response)}"
            yield f"  {where}: {'; '.join(said)}"
    yield from (f"  {said}" for said in guesses(take.judged))
    yield f"  Next: {next_step(take.judged, take.placed.track.tempo)['words']}"
    yield f"  {tables()['care']}"


def _headline(take: HeardTake) -> str:
    return f"{take.file}: {take.placed.track.name}, from {clock(take.placed.at)}"


def _tuned(take: HeardTake) -> Iterator[str]:
    """How the player is tuned and in which octave, where that is worth a word."""
    tuning = take.placed.tuning
    if abs(tuning.cents) >= _WORTH_SAYING:
        how = "sharp" if tuning.cents > 0 else "flat"
        yield f"Tuned {abs(tuning.cents):.0f} cents {how}, which is taken off every note."
    if tuning.octaves:
        way = "above" if tuning.octaves > 0 else "below"
        count = "an octave" if abs(tuning.octaves) == 1 else f"{abs(tuning.octaves)} octaves"
        yield f"Played {count} {way} what is written, which is taken off every note."


_WORTH_SAYING = 8.0  # cents


# The page.

_SECOND, _SEMITONE, _EDGE = 62.0, 9.0, 26.0  # pixels


def as_page(takes: Sequence[HeardTake]) -> str:
    """One document with a picture of each response, which loads nothing."""
    title = takes[0].placed.track.drill if takes else "drillgen hear"
    body = [_html_table(takes, "recording")] if len(takes) > 1 else []
    body += [_take_html(take) for take in takes]
    page = resources.files("drillgen.take").joinpath("hear.html").read_text("utf-8")
    for name, text in (("title", escape(title)), ("errs", escape(errs()))):
        page = page.replace("{{" + name + "}}", text)
    return page.replace("{{body}}", "\n".join([*body, _legend()]))


def _html_table(takes: Sequence[HeardTake], first: str) -> str:
    return _html_rows([(first, *_COLUMNS[1:]), *map(_row_of, takes)])


def _html_rows(rows: Sequence[Sequence[str]]) -> str:
    head, *others = rows
    lines = ["".join(f"<th>{escape(cell)}" for cell in head)]
    lines += ["".join(f"<td>{escape(cell)}" for cell in row) for row in others]
    return "<div class=wide><table><tr>" + "<tr>".join(lines) + "</table></div>"


def _take_html(take: HeardTake) -> str:
    rows = [_row(_short(key), summary(own)) for key, own in by_key(take.judged).items()]
    step = next_step(take.judged, take.placed.track.tempo)
    said = [*_tuned(take), *take.warnings, *guesses(take.judged)]
    parts = [
        f"<h2>{escape(_headline(take))}</h2>",
        _html_rows([("key", *_COLUMNS[1:]), *rows]),
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
        f"<section><h3>{escape(response.key)}, {_bars(response)}: {count}</h3>"
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
    return "<h3>Signs</h3>" + _html_rows([("sign", "outline: asked; filled: heard"), *rows])

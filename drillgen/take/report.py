"""What was heard, told: sums, values for `hear.json`, text for a terminal.

`docs/hear.md` describes the file.  Words and signs are those of `tables.json`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

from drillgen.errors import clock
from drillgen.take import AskedResponse, HeardNote, HearingError, tables
from drillgen.take.asked import EARLY, AskedTrack, named
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
    if not inside:
        raise HearingError(f"{path}: {_nothing_asked(place, read.seconds)}")
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


def _nothing_asked(place: Placed, seconds: float) -> str:
    notes = place.track.notes
    first, last = clock(notes[0].start), clock(notes[-1].start)
    return (
        f"nothing is asked from {clock(place.at)} to {clock(place.at + seconds)} of"
        f" {place.track.name}, but from {first} to {last}; --at says where a recording begins"
    )


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
    right = [verdict for verdict in verdicts if verdict.is_right]
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


def by_bar(responses: Iterable[JudgedResponse]) -> dict[int, list[Verdict]]:
    """The verdicts of each bar of a call, over all keys; bars count from 1."""
    found: dict[int, list[Verdict]] = {}
    for judgement in responses:
        response = judgement.response
        bars = response.last_bar - response.first_bar + 1
        length = (response.end - response.start) / bars
        for verdict in judgement.verdicts:
            into = verdict.asked.start + EARLY - response.start
            found.setdefault(min(max(int(into / length), 0), bars - 1) + 1, []).append(verdict)
    return dict(sorted(found.items()))


def solid(right: int, asked: int) -> bool:
    """Whether so many notes right are enough."""
    return bool(right >= tables()["next"]["clean_share"] * asked > 0)


def _right(verdicts: Iterable[Verdict]) -> int:
    return sum(verdict.is_right for verdict in verdicts)


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
        "words": words.format(tempo=f"{tempo:g}", keys=", ".join(map(short_key, weak))),
    }


def _tempo(tempo: float, times: float) -> float:
    return float(round(tempo * times))


def short_key(key: str) -> str:
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


def bars_of(response: AskedResponse) -> str:
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
        "bars": [
            {"bar": bar, "asked": len(own), "right": _right(own)}
            for bar, own in by_bar(take.judged).items()
        ],
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


def as_text(takes: Sequence[HeardTake]) -> str:
    """All takes: tables where there are several, then what is to be said of each."""
    parts = [
        "\n".join([title, *_laid_out(block)]).strip("\n")
        for title, rows in tables_of(takes)
        for block in _narrow(rows)
    ]
    parts += ["\n".join(_take_lines(take)) for take in takes]
    return "\n\n".join([*parts, errs()])


def errs() -> str:
    """That a machine's ear errs, and how often."""
    return str(tables()["errs"])


COLUMNS = ("right", "more", "time (ms)", "in tune (cents)")
Rows = list[tuple[str, ...]]  # the first is the heading


def tables_of(takes: Sequence[HeardTake]) -> Iterator[tuple[str, Rows]]:
    """Where there are several recordings: a row for each, then, for each drill, how its keys and
    the bars of its call stand in one after the other; each with its title."""
    if len(takes) < 2:
        return
    numbered = [(str(number), take) for number, take in enumerate(takes, 1)]
    rows = [(number, *row(take.file, summary(take.judged))) for number, take in numbered]
    yield "", [("", "recording", *COLUMNS), *rows]
    for drill in dict.fromkeys(take.placed.track.drill for take in takes):
        own = [(number, take) for number, take in numbered if take.placed.track.drill == drill]
        counts: dict[str, dict[str, tuple[int, int]]] = {}
        for number, take in own:
            for name, verdicts in _standing(take):
                counts.setdefault(name, {})[number] = _right(verdicts), len(verdicts)
        cells = [
            (name, *(_cell(*found.get(number, (0, 0))) for number, _ in own))
            for name, found in counts.items()
        ]
        share = round(10 * tables()["next"]["clean_share"])
        title = f"{drill}: what is solid (●: at least {share} notes of 10 right)"
        yield title, [("", *(number for number, _ in own)), *cells]


def _standing(take: HeardTake) -> Iterator[tuple[str, list[Verdict]]]:
    """The verdicts of each key, then of each bar of the call."""
    for key, own in by_key(take.judged).items():
        yield short_key(key), [verdict for each in own for verdict in each.verdicts]
    for bar, verdicts in by_bar(take.judged).items():
        yield f"bar {bar}", verdicts


def _cell(right: int, asked: int) -> str:
    if not asked:
        return ""
    return f"{right}/{asked} ●" if solid(right, asked) else f"{right}/{asked}"


def row(name: str, sums: Values) -> tuple[str, ...]:
    """What is said of some responses, by `COLUMNS`, after their name."""
    return (
        name,
        f"{sums['right']} of {sums['asked']}",
        str(sums["extra"] or "-"),
        f"{sums['ms']:+.0f} ± {sums['ms_spread']:.0f}",
        f"{sums['cents']:+.0f} ± {sums['cents_spread']:.0f}",
    )


_ACROSS = 8  # columns of a table that a terminal has room for


def _narrow(rows: Rows) -> Iterator[Rows]:
    """A table in blocks, each with the first column."""
    for first in range(1, len(rows[0]), _ACROSS):
        yield [(row[0], *row[first : first + _ACROSS]) for row in rows]


def _laid_out(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _take_lines(take: HeardTake) -> Iterator[str]:
    yield headline(take)
    yield from (f"  {said}" for said in tuned(take))
    yield from (f"  note: {said}" for said in take.warnings)
    rows = [row(short_key(key), summary(own)) for key, own in by_key(take.judged).items()]
    yield from (f"  {line}" for line in _laid_out([("", *COLUMNS), *rows]))
    for judgement in take.judged:
        said = off(judgement, take.placed.tuning.cents)
        if said:
            where = f"{short_key(judgement.response.key)}, {bars_of(judgement.response)}"
            yield f"  {where}: {'; '.join(said)}"
    yield from (f"  {said}" for said in guesses(take.judged))
    yield f"  Next: {next_step(take.judged, take.placed.track.tempo)['words']}"
    yield f"  {tables()['care']}"


def headline(take: HeardTake) -> str:
    return f"{take.file}: {take.placed.track.name}, from {clock(take.placed.at)}"


def tuned(take: HeardTake) -> Iterator[str]:
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

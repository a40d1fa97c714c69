"""Asked notes and heard notes to verdicts: pure, of plain values, so that the page can do the same.

Within a response the heard notes are laid on the asked ones in order, at the least cost (Needleman
& Wunsch, J. Mol. Biol. 48:443, 1970): a pair costs its distance in time, as a share of the widest
that is taken for the same note, and more where the pitch is another; what is left over on either
side costs `skip`.  A verdict names one thing, the first of `order` that is so.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from drillgen.take import AskedNote, AskedResponse, HeardNote, tables


@dataclass(frozen=True, slots=True)
class Tuning:
    """How the player is tuned: what is taken off before notes are compared."""

    cents: float = 0.0  # sharp of A440
    octaves: int = 0  # the player sounds so many octaves above what is written
    any_octave: bool = False  # where the drill asks to sing, every octave is right


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of an asked note."""

    asked: AskedNote
    verdict: str  # a key of `verdicts` in the tables
    heard: HeardNote | None = None
    ms: float = 0.0  # late: positive
    cents: float = 0.0  # sharp: positive; against the player's own tuning
    length: str = ""  # "short", "normal" or "connected"

    @property
    def is_right(self) -> bool:
        """Whether it was the asked note, be it early or flat."""
        return self.verdict in tables()["counts_as_right"]


@dataclass(frozen=True, slots=True)
class JudgedResponse:
    """A response with a verdict on each asked note, and what was heard besides."""

    response: AskedResponse
    verdicts: tuple[Verdict, ...]
    extra: tuple[HeardNote, ...]

    @property
    def right(self) -> int:
        """How many notes were the asked ones, be they early or flat."""
        return sum(each.is_right for each in self.verdicts)


def judged(
    responses: Sequence[AskedResponse], heard: Sequence[HeardNote], tuning: Tuning
) -> list[JudgedResponse]:
    """A verdict on every asked note.  `heard`: in seconds of the track, in order of start."""
    heard = in_reach(responses, heard, tuning)
    own = shared_out(responses, heard)
    return [
        judge(response, [heard[index] for index in indices], tuning)
        for response, indices in zip(responses, own, strict=True)
    ]


def in_reach(
    responses: Sequence[AskedResponse], heard: Sequence[HeardNote], tuning: Tuning
) -> list[HeardNote]:
    """What the player may have played: nothing that is more than some semitones beyond all that is
    asked, which is another instrument in the room."""
    keys = [note.key + 12 * tuning.octaves for each in responses for note in each.notes]
    beyond = tables()["judge"]["beyond_semitones"] + (12 if tuning.any_octave else 0)
    low, high = min(keys, default=0) - beyond, max(keys, default=127) + beyond
    return [note for note in heard if low <= note.pitch <= high]


def shared_out(responses: Sequence[AskedResponse], heard: Sequence[HeardNote]) -> list[list[int]]:
    """Which heard notes belong to which response: of those that a note may lie in, the one with the
    nearest asked note; what lies in none (the calls, say) belongs to none."""
    around = tables()["judge"]["around_ms"] / 1000
    found: list[list[int]] = [[] for _ in responses]
    for index, note in enumerate(heard):
        near = [
            (_nearest(response, note.start), number)
            for number, response in enumerate(responses)
            if _begins(response) - around <= note.start < response.end + around
        ]
        if near:
            found[min(near)[1]].append(index)
    return found


def _begins(response: AskedResponse) -> float:
    """Its first bar, or an upbeat before it."""
    return min([response.start, *(note.start for note in response.notes[:1])])


def _nearest(response: AskedResponse, at: float) -> float:
    """Seconds to the nearest asked note."""
    starts = [note.start for note in response.notes]
    place = bisect_left(starts, at)
    return min((abs(start - at) for start in starts[max(place - 1, 0) : place + 1]), default=1e9)


def judge(response: AskedResponse, heard: Sequence[HeardNote], tuning: Tuning) -> JudgedResponse:
    """One response.  `heard`: what belongs to it, in order of start."""
    pairs = aligned(response.notes, heard, tuning)
    of = dict(pairs)
    verdicts = tuple(
        verdict_on(note, heard[of[index]], tuning) if index in of else Verdict(note, "missing")
        for index, note in enumerate(response.notes)
    )
    taken = set(of.values())
    return JudgedResponse(
        response, verdicts, tuple(note for index, note in enumerate(heard) if index not in taken)
    )


def aligned(
    asked: Sequence[AskedNote], heard: Sequence[HeardNote], tuning: Tuning
) -> list[tuple[int, int]]:
    """Which heard note is which asked one: pairs of indices, both in order."""
    skip = tables()["judge"]["skip"]
    widths = windows(asked)
    rows, columns = len(asked), len(heard)
    # cost[i][j]: the least for the first i asked and j heard notes.
    cost = [[(i + j) * skip for j in range(columns + 1)] for i in range(rows + 1)]
    for i in range(1, rows + 1):
        for j in range(1, columns + 1):
            paired = cost[i - 1][j - 1] + pair_cost(
                asked[i - 1], heard[j - 1], widths[i - 1], tuning
            )
            cost[i][j] = min(paired, cost[i - 1][j] + skip, cost[i][j - 1] + skip)
    return _traced(cost, asked, heard, widths, tuning)


def _traced(
    cost: Sequence[Sequence[float]],
    asked: Sequence[AskedNote],
    heard: Sequence[HeardNote],
    widths: Sequence[float],
    tuning: Tuning,
) -> list[tuple[int, int]]:
    """Back from the end of the table; where several ways cost the same, a pair goes first."""
    skip, pairs = tables()["judge"]["skip"], []
    i, j = len(asked), len(heard)
    while i and j:
        paired = cost[i - 1][j - 1] + pair_cost(asked[i - 1], heard[j - 1], widths[i - 1], tuning)
        if paired <= cost[i][j]:
            pairs.append((i - 1, j - 1))
            i, j = i - 1, j - 1
        elif cost[i - 1][j] + skip <= cost[i][j]:
            i -= 1
        else:
            j -= 1
    return pairs[::-1]


def windows(asked: Sequence[AskedNote]) -> list[float]:
    """How far from each asked note, in seconds, a heard one may lie: a share of the time to its
    nearer neighbour, within bounds."""
    rules = tables()["judge"]
    least, most = rules["window_least_ms"] / 1000, rules["window_most_ms"] / 1000
    found = []
    for index, note in enumerate(asked):
        before = note.start - asked[index - 1].start if index else most
        after = asked[index + 1].start - note.start if index + 1 < len(asked) else most
        found.append(min(max(rules["window_share"] * min(before, after), least), most))
    return found


def pair_cost(asked: AskedNote, heard: HeardNote, window: float, tuning: Tuning) -> float:
    """What it costs to take a heard note for an asked one: 0 to 1 by time, more by pitch."""
    rules = tables()["judge"]
    apart = abs(heard.start - asked.start) / window
    if apart > 1:
        return 3 * float(rules["skip"])  # more than to leave out both
    kind = pitch_kind(cents_off(asked, heard, tuning), tuning)
    return apart + float(rules.get(kind, 0.0))


def cents_off(asked: AskedNote, heard: HeardNote, tuning: Tuning) -> float:
    """How sharp a heard note is against an asked one, cents, the player's tuning taken off."""
    return (heard.pitch - asked.key - 12 * tuning.octaves) * 100 - tuning.cents


def pitch_kind(cents: float, tuning: Tuning) -> str:
    """`right`, `octave` (the same name elsewhere) or `wrong`."""
    within = tables()["judge"]["right_cents"]
    if abs(cents) <= within:
        return "right"
    if abs(folded(cents)) <= within:
        return "right" if tuning.any_octave else "octave"
    return "wrong"


def folded(cents: float) -> float:
    """The same within an octave, -600 to 600."""
    return (cents + 600) % 1200 - 600


def verdict_on(asked: AskedNote, heard: HeardNote, tuning: Tuning) -> Verdict:
    """The verdict on a pair."""
    rules = tables()["judge"]
    cents = cents_off(asked, heard, tuning)
    kind = pitch_kind(cents, tuning)
    inner = cents if kind == "wrong" else folded(cents)
    ms = (heard.start - asked.start) * 1000
    length = length_of(asked, heard, rules)
    true = {
        "wrong": kind == "wrong",
        "octave": kind == "octave",
        "sharp": inner > rules["intonation_cents"],
        "flat": inner < -rules["intonation_cents"],
        "early": ms < -rules["time_ms"],
        "late": ms > rules["time_ms"],
        "short": length == "short",
        "right": True,
    }
    verdict = next(name for name in tables()["order"] if true.get(name))
    return Verdict(asked, verdict, heard, ms, inner, length)


def length_of(asked: AskedNote, heard: HeardNote, rules: dict[str, Any]) -> str:
    """In three classes, since the ear of a machine is no surer: how much of it was held."""
    share = (heard.end - heard.start) / max(asked.end - asked.start, 1e-6)
    if share < rules["short"]:
        return "short"
    return "connected" if share >= rules["connected"] else "normal"

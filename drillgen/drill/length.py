"""How long a track will be, worked out before it is laid out in bars, and the most it may be.

A chart grows with its track: one of two days takes minutes to lay out, and no WAV could hold it
(its lengths are 32 bits, which is 6.8 hours).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drillgen.drill.meter import Tempo
from drillgen.drill.problems import listed, refuse

if TYPE_CHECKING:
    from drillgen.drill.models import Drill

LONGEST = 3  # hours: as long as nobody should practise without a break


def seconds(drill: Drill, keys: int, tempo: Tempo) -> float:
    """How long a track in some of a drill's keys is at a tempo, before its ending."""
    lead_in = drill.count_in.bars + drill.count_in.starting_note
    bars = _bars_a_pass(drill)
    passes = range(1, drill.passes * keys + 1)
    minutes = lead_in / tempo.at(1) + sum(bars / tempo.at(number) for number in passes)
    return minutes * drill.meter.beats * 60


def _bars_a_pass(drill: Drill) -> int:
    """The form's bars, and responses over the same bars again."""
    form, gaps = len(drill.progression.bars), drill.gaps
    if gaps is None or gaps.harmony != "repeats":
        return form
    calls, rest = divmod(form, gaps.call)
    return form + calls * gaps.response + min(rest, gaps.response)


def check_length(drill: Drill) -> None:
    """Raises RefusedError where a track would be too long."""
    keys = 1 if drill.tracks == "per key" else len(drill.key_cycle)
    slowest = max(drill.tempos, key=lambda tempo: seconds(drill, keys, tempo))
    minutes = round(seconds(drill, keys, slowest) / 60)
    if minutes <= LONGEST * 60:
        return
    took = f"{minutes // 60} h {minutes % 60:02d} min"
    cures = {
        "passes": ("fewer passes", drill.passes > 1),
        "key_cycle": ("fewer keys, tracks: per key", keys > 1),
        "gaps": ("shorter responses", _bars_a_pass(drill) > len(drill.progression.bars)),
    }
    helps = {key: words for key, (words, does) in cures.items() if does}
    written = (key for key in helps if key in drill.model_fields_set)
    raise refuse(
        f"a track at {slowest} would take {took} (passes: {drill.passes}, keys: {keys})",
        f"up to {LONGEST} hours a track: {listed(helps.values())}",
        at=(next(written, "progression"),),
    )

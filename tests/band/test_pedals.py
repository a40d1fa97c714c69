"""Pedal points under a walking bass."""

from __future__ import annotations

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.reader import drill_of


def test_a_walking_bass_stays_on_a_pedal() -> None:
    """Over Dm7/G G7 the bass stays on G and walks on from the next chord; a slash chord alone is
    walked from its bass (common practice)."""
    score = arrange(
        charts(
            drill_of(
                {
                    "progression": "Cmaj7 | Dm7/G | G7 | Cmaj7 | C7/E | Fmaj7",
                    "key_cycle": "C",
                    "gaps": "none",
                    "band": {"bass": "walking"},
                }
            )
        )[0]
    )
    bass = score.part("bass")
    assert bass is not None
    names: dict[int, set[str]] = {}
    keys: dict[int, set[int]] = {}
    for note in bass.notes:
        number = score.chart.bar_at(note.start).form_bar
        names.setdefault(number, set()).add(str(note.pitch.name))
        keys.setdefault(number, set()).add(note.pitch.midi)
    assert names[1] == names[2] == {"G"} and keys[1] == keys[2] and len(keys[1]) == 1
    assert all(len(keys[number]) > 1 for number in (0, 3, 4))

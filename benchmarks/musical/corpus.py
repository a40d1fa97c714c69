"""What is measured: every preset as it is, and forms that every player meets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import product
from typing import Any

from drillgen import load
from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.band import meters, playable_feels
from drillgen.drill.files import list_presets
from drillgen.drill.lines import Phrases
from drillgen.drill.models import Drill
from drillgen.lines.kinds import line
from drillgen.score import Score
from drillgen.theory.pitch import Key

# Forms as common property.
FORMS = {
    "blues": "I7 | IV7 | I7 | % | IV7 | #ivo7 | I7 | VI7b9 | ii7 | V7 | I7 VI7 | ii7 V7alt",
    "thirty-two bars": {
        "A": "I6 vi7 | ii7 V7 | iii7 VI7b9 | ii7 V7",
        "B": "III7 | % | VI7 | % | II7 | % | V7 | V7alt",
        "form": "A A B A",
    },
    "minor": "i6 | iiø7 V7b9 | i6 | % | iv7 | bVII7 | bIIImaj7 | V7alt",
    "vamp": "Dm7 | % | % | % | % | % | % | % | Ebm7 | % | % | % | Dm7 | % | % | %",
}
CHANGES = "ii7 | V7 | Imaj7 | VI7b9 | ii7 | V7 | Imaj7 | V7"
FEEL_TEMPOS = (70, 140, 230)
TEMPOS = (60, 120, 180, 240, 300)
PLAYERS = ("piano", "electric piano", "guitar", "vibraphone")
TONICS = {
    "major": ("C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "B", "E", "A", "D", "G"),
    "minor": ("C", "F", "Bb", "Eb", "Ab", "C#", "F#", "B", "E", "A", "D", "G"),
}
WALKING = {"drums": "sticks", "bass": "walking"}


def forms(seeds: Iterable[int]) -> Iterator[Score]:
    """Every form with every comping instrument at every tempo, in three keys."""
    for (name, form), tempo, player, seed in product(FORMS.items(), TEMPOS, PLAYERS, seeds):
        keys = {"minor": ["Cm", "F#m", "Bbm"], "vamp": ["C", "F", "Db"]}.get(name, ["Bb", "F", "E"])
        yield one(progression=form, key_cycle=keys, passes=2, seed=seed, tempo=tempo,
                  key=keys[0], band={**WALKING, "comping": player})  # fmt: skip


def feels() -> Iterator[Score]:
    """Every feel in every meter, with sticks and with brushes, slow, medium and fast; everybody's
    densities as they are."""
    every = [(name, meter) for name in playable_feels() for meter in meters(name)]
    for (name, meter), tempo, tools in product(every, FEEL_TEMPOS, ("sticks", "brushes")):
        yield one(feel=name, meter=meter, tempo=tempo, key_cycle=["C", "Eb"], passes=6,
                  progression=CHANGES, band={"drums": tools, "bass": "two-beat"})  # fmt: skip


def one(**drill: Any) -> Score:
    """The first track of a drill, without line and gaps where nothing is said of them."""
    drill = {"gaps": "none", "line": "off", **drill}
    return arrange(charts(Drill.model_validate(drill))[0])


def presets() -> Iterator[Score]:
    """Each track of each preset."""
    for preset in list_presets():
        for drill in load(preset.name).drills:
            yield from map(arrange, charts(drill))


def at_one_tempo(drill: Drill) -> Drill:
    """Without its other tracks."""
    return drill.model_copy(update={"tempos": drill.tempos[:1]})


def called(seeds: Iterable[int]) -> Iterator[Score]:
    """The phrases of every preset that has some, in twelve keys, with each seed."""
    for preset in list_presets():
        for drill in load(preset.name).drills:
            if isinstance(drill.line, Phrases):
                mode = drill.key_cycle[0].mode
                keys = tuple(Key.parse(f"{tonic} {mode}") for tonic in TONICS[mode])
                drill = at_one_tempo(drill).model_copy(update={"key_cycle": keys})
                laid_out = charts(drill)[0]
                for seed in seeds:
                    chart = replace(laid_out, drill=drill.model_copy(update={"seed": seed}))
                    part = line(chart)
                    yield Score(chart, (part,) if part else ())

"""Options of enclosures."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from drillgen.drill.fields import Read, choice, whole
from drillgen.drill.lines.chord_scales import CHORD_SCALES, ChordScales
from drillgen.drill.lines.line import MOST_BEATS, NEEDS_KIND, Line
from drillgen.drill.problems import Wrongs, refuse, show

TARGETS = ("root", "third", "fifth", "seventh", "guide tones")
APPROACHES = (
    "above below",
    "below above",
    "double chromatic",
    "double chromatic above",
    "from below",
    "from above",
)
_BEAT = whole(1, MOST_BEATS)


def _read_beats(value: Any) -> tuple[int, ...]:
    """Read `chord`, 1, or [1, 3]; () means where each chord begins."""
    if value == "chord":
        return ()
    values = value if isinstance(value, list | tuple) else [value]
    if not values:
        raise refuse(f"{show(value)} names no beat", "chord, or beats of the bar: [1, 3]")
    wrongs = Wrongs()
    beats: list[int] = []
    for index, each in enumerate(values):
        with wrongs.at(*([index] if values is value else [])):
            beats.append(_BEAT.function(each))
    wrongs.raise_any()
    return tuple(sorted(set(beats)))


BEATS = Read(
    _read_beats,
    {
        "anyOf": [
            {"const": "chord"},
            _BEAT.schema,
            {"type": "array", "items": _BEAT.schema, "minItems": 1},
        ],
        "default": "chord",
        "examples": ["chord", [1, 3]],
    },
)


class Enclosure(Line):
    """Chord tones reached from a note above and a note below."""

    model_config = NEEDS_KIND
    kind: Literal["enclosure"] = "enclosure"
    target: Annotated[str, choice(*TARGETS)] = "third"
    """The chord tone that is aimed at; guide tones: third or seventh, whichever is nearer."""
    approach: Annotated[str, choice(*APPROACHES)] = "above below"
    """The notes before it: scale tone above, semitone below, or semitones from one side."""
    beats: Annotated[tuple[int, ...], BEATS] = ()
    """Where the targets fall: where each chord begins, or on these beats of the bar."""
    fill: Annotated[str, choice("rest", "hold", "chord tones")] = "hold"
    """What comes between: silence, the target held, or chord tones in eighths."""
    scales: Annotated[ChordScales, CHORD_SCALES] = ()
    """Scales for some chords, in the place of the usual ones: {V7: altered, m7: dorian}."""

    @property
    def beats_named(self) -> dict[str, int]:
        """Options that name a beat of the bar, and the last beat that each names."""
        return {**super().beats_named, "beats": max(self.beats, default=1)}

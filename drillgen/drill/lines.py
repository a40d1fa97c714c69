"""The kinds of line, as a person writes them.

How a kind is written out stands in the module of `drillgen/lines/` by the same name.  A new kind is
a model of options, its name in `playable.KINDS` and its model in the two lists below.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from drillgen.drill import playable
from drillgen.drill.fields import OFF, Short, is_off
from drillgen.drill.line_options import (
    Arpeggio,
    Enclosure,
    GuideTones,
    Line,
    Roots,
    ScalePattern,
    Walking,
)
from drillgen.drill.melodic_options import Phrases, Riff, Written
from drillgen.drill.messages import Wrongs

__all__ = [
    "COMMON",
    "LINE",
    "AnyLine",
    "Arpeggio",
    "Enclosure",
    "GuideTones",
    "Line",
    "Phrases",
    "Riff",
    "Roots",
    "ScalePattern",
    "Walking",
    "Written",
]

DEFAULT_KIND = "guide tones"
COMMON = tuple(Line.model_fields)  # options that outlive a change of kind

AnyLine = Annotated[
    GuideTones | Roots | Arpeggio | Walking | ScalePattern | Enclosure | Riff | Written | Phrases,
    Field(discriminator="kind"),
]


def _long(value: Any) -> Any:
    """`arpeggio` is short for `{kind: arpeggio}`; without a kind, guide tones are meant."""
    if isinstance(value, Line):
        return value
    options = value if isinstance(value, dict) else {"kind": value}
    kind = options.get("kind", DEFAULT_KIND)
    if is_off(kind):
        return None
    wrongs = Wrongs()
    with wrongs.at(*(["kind"] if isinstance(value, dict) else [])):
        playable.check_kind(kind)
    wrongs.raise_any()
    return {**options, "kind": kind}


_MODELS = (GuideTones, Roots, Arpeggio, Walking, ScalePattern, Enclosure, Riff, Written, Phrases)
_KINDS = tuple(
    model.model_fields["kind"].default
    for model in _MODELS
    if not any(field.is_required() for field in model.model_fields.values())
)  # those that can be written as one word
_SILENT = {"type": "object", "properties": {"kind": {"enum": [*OFF]}}, "required": ["kind"]}
LINE = Short(_long, ({"enum": [*_KINDS, *OFF]}, _SILENT))

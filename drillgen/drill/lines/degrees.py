"""An order of chord degrees: 1357, 5-1-3-7."""

from __future__ import annotations

import re
from typing import Any

from drillgen.drill.fields import Read
from drillgen.drill.problems import refuse, show

_HIGHEST_DEGREE = 13
_LONGEST_ORDER = 16


def _read_order(value: Any) -> tuple[int, ...]:
    """Read 1357, '1 3 5 7', '5-1-3-7' or [1, 3, 5, 7]."""
    allowed = f"degrees from 1 to {_HIGHEST_DEGREE}: 1357, 5-1-3-7, 1 3 5 9"
    degrees = list(value) if isinstance(value, list | tuple) else _degrees(value)
    if not degrees:
        raise refuse(f"{show(value)} is no order", allowed)
    for index, degree in enumerate(degrees):
        if (
            isinstance(degree, bool)
            or not isinstance(degree, int)
            or not (1 <= degree <= _HIGHEST_DEGREE)
        ):
            raise refuse(
                f"{show(degree)} is no degree",
                allowed,
                at=(index,) if isinstance(value, list | tuple) else (),
            )
    if len(degrees) > _LONGEST_ORDER:
        raise refuse(f"the order has {len(degrees)} degrees", f"up to {_LONGEST_ORDER}")
    return tuple(degrees)


def _degrees(value: Any) -> list[int]:
    if isinstance(value, bool):
        return []
    text = str(value).strip()
    if re.fullmatch(r"[0-9]+", text):
        return [int(digit) for digit in text]
    if not re.fullmatch(r"[0-9]{1,2}([ ,-]+[0-9]{1,2})+", text):
        return []
    return [int(word) for word in re.findall(r"[0-9]+", text)]


ORDER = Read(
    _read_order,
    {
        "anyOf": [
            {"type": "integer", "minimum": 1},
            {"type": "string", "pattern": r"^\s*[0-9]+([ ,-]+[0-9]+)*\s*$"},
            {
                "type": "array",
                "items": {"type": "integer", "minimum": 1, "maximum": _HIGHEST_DEGREE},
                "minItems": 1,
                "maxItems": _LONGEST_ORDER,
            },
        ],
        "default": "1357",
        "examples": ["1357", "7531", "5-1-3-7"],
    },
)

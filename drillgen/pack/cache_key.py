"""Cache keys: the SHA-256 of everything that a result follows from.

Values are written out by their types and fields, so that an equal value has the same key in every
process and on every machine, and one that differs anywhere has another.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel

_PLAIN = (str, int, float, bool, Fraction, type(None))


def cache_key_of(*values: Any) -> str:
    """The cache key of some values together, 64 hexadecimal digits.

    Raises TypeError for a value that is not made of models, dataclasses, tuples, mappings, sets,
    texts and numbers.
    """
    return hashlib.sha256(canonical(values).encode("utf-8")).hexdigest()


def canonical(value: Any) -> str:
    """A value as text; different values have different texts."""
    if isinstance(value, _PLAIN):
        return f"{type(value).__name__} {value!r}"
    parts = ",".join(f"{name}={canonical(part)}" for name, part in _parts(value))
    return f"{type(value).__qualname__}({parts})"


def _parts(value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, BaseModel):
        yield from ((name, getattr(value, name)) for name in type(value).model_fields)
    elif is_dataclass(value):
        yield from ((each.name, getattr(value, each.name)) for each in fields(value))
    elif isinstance(value, Mapping):
        yield from sorted((canonical(key), part) for key, part in value.items())
    elif isinstance(value, frozenset | set):
        yield from ((text, "") for text in sorted(map(canonical, value)))
    elif isinstance(value, tuple | list):
        yield from (("", part) for part in value)
    else:
        raise TypeError(f"no cache key for {value!r}")


@cache
def program() -> str:
    """The cache key of the program itself: of every file of its package, whatever it is for.

    It stands for the version, and is never stale while the program is being worked on.  What a
    result follows from is not listed by hand: a list forgets, as of the feels, which are data.
    """
    package = Path(__file__).parents[1]
    content = hashlib.sha256()
    for path in sorted(_files(package)):
        data = path.read_bytes()
        content.update(f"{path.relative_to(package).as_posix()} {len(data)}\n".encode())
        content.update(data)
    return content.hexdigest()


def _files(folder: Path) -> Iterator[Path]:
    """Every file under a folder but what Python or an editor keeps there for itself."""
    for path in folder.iterdir():
        if path.name.startswith(".") or path.name == "__pycache__":
            continue
        if path.is_dir():
            yield from _files(path)
        else:
            yield path

"""Byte ranges: what part of a file a browser asks for (RFC 9110, section 14).

Phones play audio over HTTP only from servers that answer these.
"""

from __future__ import annotations

import re

_ONE_RANGE = re.compile(r"bytes=(?:([0-9]{1,18})-([0-9]{0,18})|-([0-9]{1,18}))", re.IGNORECASE)


class UnsatisfiableError(ValueError):
    """The range is well written, and nothing of the file lies in it."""


def requested(header: str | None, size: int) -> range | None:
    """The bytes of a file of `size` bytes that a Range header asks for; None for the whole.

    Raises UnsatisfiableError.  Another unit, an invalid range and several ranges at once are
    answered with the whole file, as section 14.2 allows.
    """
    found = _ONE_RANGE.fullmatch((header or "").strip())
    if found is None:
        return None
    first, last, suffix = found.groups()
    if suffix is not None:
        return _last_bytes(int(suffix), size)
    return _between(int(first), int(last) if last else None, size)


def _last_bytes(count: int, size: int) -> range | None:
    if count == 0:
        raise UnsatisfiableError
    return range(max(size - count, 0), size) if size else None


def _between(first: int, last: int | None, size: int) -> range | None:
    if last is not None and last < first:
        return None  # invalid, by section 14.1.1
    if first >= size:
        raise UnsatisfiableError
    return range(first, size if last is None else min(last + 1, size))

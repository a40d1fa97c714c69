"""The one error of this room: a plain sentence for the person, no traceback wanted."""

from __future__ import annotations

from drillgen.errors import DrillgenError


class AudioError(DrillgenError):
    """An audio file cannot be written; the message says why."""


def reason(error: OSError) -> str:
    """What the system says, without its number."""
    return (error.strerror or str(error)).lower()

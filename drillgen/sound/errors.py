"""The one error that the sound room raises for a person: a plain sentence, no traceback wanted."""

from __future__ import annotations

from drillgen.errors import DrillgenError


class SoundError(DrillgenError):
    """Sound cannot be made; the message says why, and what to do, in one sentence."""

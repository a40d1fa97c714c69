"""Finished sound as files to hand out, each format with its own tags."""

from __future__ import annotations

from drillgen.errors import DrillgenError, reason


class AudioError(DrillgenError):
    """An audio file cannot be written; the message says why."""


def unwritable(target: object, error: OSError) -> AudioError:
    """The error for a file that the system does not let us write."""
    return AudioError(f"{target} cannot be written: {reason(error)}.")

"""The one kind of error that a person is shown: plain words, no traceback."""

from __future__ import annotations


class DrillgenError(Exception):
    """Something in the input or on this machine that the person can put right.

    `str(error)` is what they read.
    """

    exit_code = 2


# The one error that the sound room raises for a person: a plain sentence, no traceback wanted.


class SoundError(DrillgenError):
    """Sound cannot be made; the message says why, and what to do, in one sentence."""

"""Time as it is read off a clock."""

from __future__ import annotations


def clock(seconds: float) -> str:
    """`1:05`, from an hour on `1:00:05`; `-0:02` before the track's beginning."""
    whole = round(abs(seconds))
    hours, minutes = divmod(whole // 60, 60)
    shown = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{'-' if seconds < 0 and whole else ''}{shown}:{whole % 60:02d}"

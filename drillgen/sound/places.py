"""Folders that belong to the person: where the program keeps what it may lose, and what it may not.

By platformdirs: on Linux the XDG Base Directory Specification, on macOS and Windows their makers'
guidelines.
"""

from __future__ import annotations

import os
from pathlib import Path

from platformdirs import user_cache_path, user_data_path

_NAME = "drillgen"


def cache_dir() -> Path:
    """What can be made again: rendered notes, checksums.  Not created here."""
    own = os.environ.get("DRILLGEN_CACHE")
    return Path(own).expanduser() if own else user_cache_path(_NAME, appauthor=False)


def data_dir() -> Path:
    """What the person put there: soundfonts.  Not created here."""
    return user_data_path(_NAME, appauthor=False)

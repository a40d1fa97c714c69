"""Folders that belong to the person: where the program keeps what it may lose, and what it may not.

Linux follows the XDG Base Directory Specification 0.8, macOS and Windows their makers' guidelines.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

_NAME = "drillgen"


def cache_dir() -> Path:
    """What can be made again: rendered notes, checksums.  Not created here."""
    if own := os.environ.get("DRILLGEN_CACHE"):
        return Path(own).expanduser()
    if sys.platform == "win32":
        return _windows() / _NAME / "cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / _NAME
    return _xdg("XDG_CACHE_HOME", ".cache") / _NAME


def data_dir() -> Path:
    """What the person put there: soundfonts.  Not created here."""
    if sys.platform == "win32":
        return _windows() / _NAME
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / _NAME
    return _xdg("XDG_DATA_HOME", ".local/share") / _NAME


def _xdg(variable: str, default: str) -> Path:
    """The specification has relative paths ignored."""
    path = Path(os.environ.get(variable, ""))
    return path if path.is_absolute() else Path.home() / default


def _windows() -> Path:
    local = os.environ.get("LOCALAPPDATA")
    return Path(local) if local else Path.home() / "AppData" / "Local"

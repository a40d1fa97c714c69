"""Files: what the standards and the systems that read them make of their numbers."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

from drillgen import disk


def on_windows(monkeypatch: pytest.MonkeyPatch, locking: object) -> ModuleType:
    """The module that locks as Windows would load it."""
    system = SimpleNamespace(LK_NBLCK=2, locking=locking)
    spec = importlib.util.spec_from_file_location("disk_on_windows", disk.__file__)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "platform", "win32")
        patch.setitem(sys.modules, "msvcrt", system)  # type: ignore[arg-type]
        spec.loader.exec_module(module)
    return module


def test_the_byte_that_windows_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody else can read what is locked there: so it is one byte, behind any text, and yet where
    a signed number of 32 bits reaches; whoever writes goes on from the beginning (Microsoft's C
    runtime: `_locking` takes the place of the file that is open, and so many bytes)."""
    locked: list[tuple[int, int, int]] = []

    def locking(descriptor: int, mode: int, count: int) -> None:
        locked.append((os.lseek(descriptor, 0, os.SEEK_CUR), mode, count))

    with (tmp_path / "any").open("w+b") as file:
        on_windows(monkeypatch, locking).lock(file.fileno())
        assert os.lseek(file.fileno(), 0, os.SEEK_CUR) == 0
    ((place, mode, count),) = locked
    assert 2**24 <= place <= 2**31 - 2 and (mode, count) == (2, 1)


def test_a_byte_that_is_locked_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`LK_NBLCK` fails at once with EACCES where another process has it, which means to wait."""

    def taken(*_: int) -> None:
        raise PermissionError

    with (tmp_path / "any").open("w+b") as file, pytest.raises(BlockingIOError):
        on_windows(monkeypatch, taken).lock(file.fileno())

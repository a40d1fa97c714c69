"""Finding libfluidsynth, and the few of its functions that we need.

pyfluidsynth is the binding.  It looks the library up while it is imported, and only where
`ctypes.util.find_library` looks, so it is imported late and is shown each library that we found.
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import importlib
import importlib.util
import io
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from drillgen.errors import SoundError

_NAMES = ("fluidsynth", "fluidsynth-3", "libfluidsynth-3", "libfluidsynth", "libfluidsynth-2")
# What the loader of Linux calls FluidSynth 2.2 and later, and 2.0 and 2.1 (from memory; Debian's
# packages are libfluidsynth3 and libfluidsynth2).
_SONAMES = ("libfluidsynth.so.3", "libfluidsynth.so.2")
# Homebrew's folders on Apple silicon and on Intel, and MacPorts'; ctypes does not look there.
_MACOS = ("/opt/homebrew/lib", "/usr/local/lib", "/opt/local/lib")
_HELP = (
    "install it (Debian and Ubuntu: apt install libfluidsynth3; macOS: brew install fluid-synth,"
    " or pip install pygame-ce, which carries it; Windows: choco install fluidsynth) or set"
    " DRILLGEN_FLUIDSYNTH to the library's file"
)
_LOG_LEVELS = 5  # panic, error, warning, information, debug


@dataclass(frozen=True)
class Library:
    """libfluidsynth, loaded."""

    version: str  # "2.3.1"
    path: str  # as it was given to the loader: a file, or a name that the system knows
    where: str  # "DRILLGEN_FLUIDSYNTH", "system", "pygame-ce"
    module: Any  # pyfluidsynth, which is not typed
    write_float: Callable[..., int]
    count_voices: Callable[[int], int]


@cache
def library() -> Library:
    """The library, loaded once for the process.

    Raises:
        SoundError: no usable library was found; the message says what to install.
    """
    if importlib.util.find_spec("fluidsynth") is None:
        raise SoundError("The Python package pyfluidsynth is missing: pip install pyfluidsynth.")
    trouble = ""
    for where, path in candidates():
        try:
            module = _imported(path)
        except (OSError, ImportError, AttributeError) as error:
            trouble = f" ({path}: {error})"
            continue
        return _typed(module, path, where)
    raise SoundError(f"FluidSynth's library was not found{trouble}: {_HELP}.")


def candidates() -> Iterator[tuple[str, str]]:
    """Where a library was found and its path, the preferred first."""
    if own := os.environ.get("DRILLGEN_FLUIDSYNTH"):
        yield "DRILLGEN_FLUIDSYNTH", own
        return  # asked for by name: nothing else will do
    for name in _SONAMES if sys.platform == "linux" else ():
        if _is_loadable(name):
            yield "system", name
    for name in _NAMES if sys.platform != "linux" else ():
        if found := ctypes.util.find_library(name):
            yield "system", found
    for folder in _MACOS if sys.platform == "darwin" else ():
        for file in sorted(Path(folder).glob("libfluidsynth*.dylib")):
            yield "system", str(file)
    for file in _carried_by_pygame():
        yield "pygame-ce", str(file)


def _is_loadable(name: str) -> bool:
    """Asked of the loader itself: to look a library up, ctypes starts ldconfig, a compiler and a
    linker, one after the other, which takes longer than all else that a build begins with."""
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def _carried_by_pygame() -> list[Path]:
    """The library inside the pygame-ce wheel, found without importing pygame.

    auditwheel puts libraries into `pygame_ce.libs` beside the package (Linux), delocate into
    `.dylibs` within it (macOS).
    """
    spec = importlib.util.find_spec("pygame")
    if spec is None or not spec.submodule_search_locations:
        return []
    package = Path(next(iter(spec.submodule_search_locations)))
    folders = (package.parent / "pygame_ce.libs", package / ".dylibs", package)
    return [file for folder in folders for file in sorted(folder.glob("libfluidsynth*"))]


def _imported(path: str) -> ModuleType:
    """pyfluidsynth on the library at `path`; as it is if something has imported it before."""
    if "fluidsynth" in sys.modules:
        return sys.modules["fluidsynth"]
    with _shown(path):
        return importlib.import_module("fluidsynth")


@contextmanager
def _shown(path: str) -> Iterator[None]:
    """Lets pyfluidsynth's own look-up, made during its import, find `path`, and keeps it quiet:
    where the variable CI is set it prints what it found."""
    original = ctypes.util.find_library
    ctypes.util.find_library = lambda name: path
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            yield
    finally:
        ctypes.util.find_library = original


def _typed(module: Any, path: str, where: str) -> Library:
    if not hasattr(module, "new_fluid_synth"):
        raise SoundError(
            "The package called fluidsynth is installed where pyfluidsynth is needed:"
            " pip uninstall fluidsynth, then pip install pyfluidsynth."
        )
    version = _version(module)
    if int(version.split(".")[0]) < 2:
        raise SoundError(f"FluidSynth {version} at {path} is too old: 2.0 or later is needed.")
    _silence(module)
    pointer, number = ctypes.c_void_p, ctypes.c_int
    write_float = module.cfunc(
        "fluid_synth_write_float",
        number,
        ("synth", pointer, 1),
        ("frames", number, 1),
        ("left", pointer, 1),
        ("left_offset", number, 1),
        ("left_step", number, 1),
        ("right", pointer, 1),
        ("right_offset", number, 1),
        ("right_step", number, 1),
    )
    return Library(
        version, path, where, module, write_float, module.fluid_synth_get_active_voice_count
    )


def _version(module: Any) -> str:
    numbers = [ctypes.c_int() for _ in range(3)]
    module.fluid_version(*numbers)
    return ".".join(str(number.value) for number in numbers)


def _silence(module: Any) -> None:
    """FluidSynth writes to stderr of its own accord; what matters is raised as a SoundError."""
    pointer = ctypes.c_void_p
    set_log = module.cfunc(
        "fluid_set_log_function",
        pointer,
        ("level", ctypes.c_int, 1),
        ("function", pointer, 1),
        ("data", pointer, 1),
    )
    for level in range(_LOG_LEVELS):
        set_log(level, None, None)

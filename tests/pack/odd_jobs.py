"""Work that goes wrong, for worker processes to do."""

from __future__ import annotations

import errno
import os
import sys
from typing import Any

from drillgen.errors import DrillgenError
from drillgen.pack.manifest import ManifestEntry
from drillgen.pack.tasks import Workspace


def fine(job: Any, place: Workspace) -> ManifestEntry:
    print("something that a library prints")
    os.write(1, b"and something below Python")
    (place.folder / "a.txt").write_text(str(job))
    place.report(0.5)
    return {"job": job}


def crash(job: Any, place: Workspace) -> ManifestEntry:
    os.abort()


def leave(job: Any, place: Workspace) -> ManifestEntry:
    os._exit(7)


def stop(job: Any, place: Workspace) -> ManifestEntry:
    sys.exit(3)


def starve(job: Any, place: Workspace) -> ManifestEntry:
    raise MemoryError


def complain(job: Any, place: Workspace) -> ManifestEntry:
    raise DrillgenError("the drill is too odd")


def fill(job: Any, place: Workspace) -> ManifestEntry:
    try:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    except OSError as error:
        raise DrillgenError("some words") from error

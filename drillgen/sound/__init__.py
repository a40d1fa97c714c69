"""The sound room.

Its threads each multiply small matrices; BLAS must not start threads of its own for that (two for
each of ours, and a lock between them).  OpenBLAS reads this once, when NumPy is first imported.

Blocks of half a megabyte are made and thrown away by the thousand.  The GNU C library gives such
memory back to the system at once, which hands it out again page by page, each one cleared: it is
told to keep some of it (mallopt(3)).
"""

import ctypes
import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # M_…, malloc.h
_KEPT, _OWN_MAPPING = 128 << 20, 32 << 20  # bytes


def _keep_memory() -> None:
    """Where it is that library: others have no such function."""
    keep = getattr(ctypes.CDLL(None), "mallopt", None)
    if keep is not None:
        keep(_TRIM_THRESHOLD, _KEPT)
        keep(_MMAP_THRESHOLD, _OWN_MAPPING)


if sys.platform == "linux":
    _keep_memory()

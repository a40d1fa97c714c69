"""The long runs stand on signals, pipes and descriptors as POSIX has them."""

from __future__ import annotations

import sys

collect_ignore = ["test_short.py"] if sys.platform == "win32" else []

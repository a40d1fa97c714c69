"""A soundfont of our own, made by code: basses and brushes, dedicated to the public domain (CC0).

`make.written` makes the file; the rest are the models that it is made from.  Everything is
reckoned in 64-bit floats from `chance`'s numbers and rounded to 16 bits at the very end, so that
every machine makes the same file.
"""

from __future__ import annotations

import hashlib
from pathlib import Path


def recipe() -> str:
    """What the soundfont is made from, as a SHA-256: another recipe is another file."""
    content = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        content.update(source.read_bytes())
    return content.hexdigest()

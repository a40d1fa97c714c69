"""What the page's files are called, for those who need not know how they are made."""

from __future__ import annotations

INDEX, FOLDER = "index.html", "page"
ALONE = "page.html"  # the whole page in one file

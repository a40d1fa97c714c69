"""The page for a folder without an index.html: a plain list of what is in it."""

from __future__ import annotations

from html import escape
from pathlib import Path

from drillgen.share.reach import address, visible

_PAGE = """\
<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta name="color-scheme" content="light dark">
<title>{title}</title>
<style>
body {{ font-family: sans-serif; max-width: 40em; margin: auto; padding: 0 1em }}
ul {{ list-style: none; padding: 0 }}
a {{ display: block; padding: 0.7em 0; overflow-wrap: anywhere }}
</style>
<h1>{title}</h1>
<ul>
{rows}
</ul>
</html>
"""


def page(root: Path, folder: Path) -> bytes:
    """The list as HTML, folders with a slash behind them, a way back up first."""
    rows = [] if folder == root else [_row(address(root, folder.parent), f"← {folder.parent.name}")]
    rows += [
        _row(address(root, path), path.name + ("/" if path.is_dir() else ""))
        for path in visible(root, folder)
    ]
    return _PAGE.format(title=escape(folder.name), rows="\n".join(rows)).encode()


def _row(link: str, name: str) -> str:
    return f'<li><a href="{escape(link)}">{escape(name)}</a></li>'

"""The page's files: the document, the scripts that play, and scripts that hand it data.

From disk a page may load classic scripts and nothing else (no fetch, no modules: opaque origins,
HTML Standard), so the data are scripts, each of which hands one value to the page.  In a single
file they are blocks of data in the document, and the scripts are allowed by their hashes.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterable, Mapping
from importlib import resources
from typing import Any

from drillgen.page.names import FOLDER, INDEX
from drillgen.sheet.drawing import font_faces

_WEB = resources.files("drillgen.page") / "web"
# In the order in which they build on each other.
SCRIPTS = ("base", "load", "tones", "band", "player", "turns", "choices", "places", "strip",
           "bars", "desk", "show", "page")  # fmt: skip
_STYLE = "stand.css"
_POLICY = (
    "default-src 'none'; script-src {scripts}; style-src {styles}; img-src data:; "
    "font-src data:; base-uri 'none'; form-action 'none'"
)


def document(catalogue: Mapping[str, Any], inlined: Mapping[str, Any] | None = None) -> bytes:
    """The page.  `inlined`: the values of its data scripts, for a page that travels alone."""
    scripts = {name: _text(f"{name}.js") for name in SCRIPTS}
    style = _style()
    if inlined is None:
        policy = _POLICY.format(scripts="'self'", styles="'self'")
        head = f'<link rel="stylesheet" href="{FOLDER}/{_STYLE}?{_mark(style)}">'
        tail = "\n".join(
            f'<script src="{FOLDER}/{name}.js?{_mark(code)}"></script>'
            for name, code in scripts.items()
        )
    else:
        policy = _POLICY.format(scripts=_hashes(scripts.values()), styles=_hashes([style]))
        head = f"<style>{style}</style>"
        tail = "\n".join(f"<script>{code}</script>" for code in scripts.values())
    blocks = {"catalogue": catalogue} | dict(inlined or {})
    places = {
        "title": html.escape(str(catalogue["title"])),
        "policy": policy,
        "style": head,
        "data": "\n".join(_block(name, value) for name, value in blocks.items()),
        "scripts": tail,
    }
    page = re.sub(r"\{\{(\w+)\}\}", lambda found: places[found[1]], _text(INDEX))
    return page.encode("utf-8")


def script(name: str, value: Any) -> bytes:
    """A classic script that hands one value to the page."""
    return f'drillgen.take("{name}",{_json(value)});\n'.encode()


def assets() -> dict[str, bytes]:
    """What is the same in every pack, by file name."""
    scripts = {f"{name}.js": _text(f"{name}.js").encode("utf-8") for name in SCRIPTS}
    return {_STYLE: _style().encode("utf-8"), **scripts}


def value_of(content: bytes) -> Any:
    """The value that a data script hands over."""
    text = content.decode("utf-8")
    return json.loads(text[text.index(",") + 1 : text.rindex(")")])


def _style() -> str:
    """The page's style, with the font that its sheets are set in."""
    return f"{_text(_STYLE)}{font_faces()}\n"


def _json(value: Any) -> str:
    """JSON that no HTML parser takes for markup."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _block(name: str, value: Any) -> str:
    return f'<script type="application/json" id="{name}">{_json(value)}</script>'


def _hashes(texts: Iterable[str]) -> str:
    digests = (hashlib.sha256(text.encode("utf-8")).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def _mark(text: str) -> str:
    """So that a browser's cache does not serve an older program's file."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:8]


def _text(name: str) -> str:
    return (_WEB / name).read_text("utf-8")

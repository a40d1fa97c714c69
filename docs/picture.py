"""Draw the picture of README.md: `python -m docs.picture`.

The practice page of a preset, and beside it the first page of its sheet, as a browser and a printer
show them, into `docs/page-and-sheet.png`.
"""

from __future__ import annotations

from base64 import b64encode
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser, sync_playwright

from drillgen import build
from tests.conftest import chromium, with_fetched_libraries

TARGET = Path(__file__).parent / "page-and-sheet.png"
_DRILL = "first-two-fives"
_HIGH = 640  # pixels, both
_BESIDE = """<body style="margin:0;padding:16px;display:inline-flex;gap:16px;background:#d8d5cd">
<img id=page src="data:image/png;base64,{page}" height="{high}">
<img src="data:image/svg+xml;base64,{sheet}" height="{high}"
 style="background:#fff;padding:12px;box-sizing:border-box">"""


def main() -> None:
    """Build the preset, and put both pictures side by side."""
    with TemporaryDirectory() as made, with_fetched_libraries(), sync_playwright() as driver:
        pack = Path(made) / "pack"
        build(_DRILL, pack)
        browser = driver.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = _page(browser, pack / "index.html")
        sheet = next(pack.rglob("sheet.svg")).read_bytes()
        shot = browser.new_page(viewport={"width": 1200, "height": _HIGH + 32})
        shot.set_content(
            _BESIDE.format(
                high=_HIGH, page=b64encode(page).decode(), sheet=b64encode(sheet).decode()
            )
        )
        shot.wait_for_timeout(500)
        TARGET.write_bytes(shot.locator("body").screenshot(type="png"))
        browser.close()


def _page(browser: Browser, index: Path) -> bytes:
    """The page as it opens."""
    view = browser.new_page(viewport={"width": 760, "height": 860})
    view.goto(index.as_uri())
    view.wait_for_timeout(1500)
    return view.screenshot()


if __name__ == "__main__":
    main()

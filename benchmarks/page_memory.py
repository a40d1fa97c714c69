"""What the practice page's memory comes to while it plays on.

`python -m benchmarks.page_memory PACK [MINUTES]` repeats a pack's first drill in the tests'
Chromium, Firefox and WebKit, all at once, and prints each minute what all processes of each have
written for themselves (megabytes), for ten minutes if nothing is said.  What they share, and what
they have only read of programs and libraries, is not counted: of WebKitGTK that is 90 MB, which
come and go with the other processes that read the same.
"""

from __future__ import annotations

import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

import psutil
from playwright.sync_api import sync_playwright

from tests.conftest import chromium, with_fetched_libraries
from tests.page.other_browsers import firefox, webkit


def main(pack: Path, minutes: int) -> None:
    """Print the table."""
    url = (pack / "index.html").resolve().as_uri()
    own, names, pages = psutil.Process(), ["Chromium"], []
    with with_fetched_libraries(), ExitStack() as opened:
        playwright = opened.enter_context(sync_playwright())
        known = set(own.children(recursive=True))
        chrome = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = chrome.new_page()
        page.goto(url)
        page.check("#repeat")
        page.click("#play")
        of = [set(own.children(recursive=True)) - known]
        for name, browser in {"Firefox": firefox, "WebKit": webkit}.items():
            known.update(*of)
            folder = Path(opened.enter_context(tempfile.TemporaryDirectory()))
            try:
                other = opened.enter_context(browser(folder))
            except FileNotFoundError as error:
                print(f"Without {name}: {error}.")
                continue
            other.open(url)
            other.until("place", "^Bar 1 of")
            other.set(repeat=True)
            other.click("#play")
            names.append(name)
            pages.append(other)
            of.append(set(own.children(recursive=True)) - known)
        print(f"| minute | {' | '.join(names)} |\n|{' --- |' * (len(names) + 1)}")
        for minute in range(minutes + 1):
            if minute:
                page.wait_for_timeout(60_000)
            print(f"| {minute} | {' | '.join(map(_own, of))} |", flush=True)
        print("Last seen:", page.inner_text("#place"), *(other.text("place") for other in pages))
        chrome.close()


def _own(processes: set[psutil.Process]) -> str:
    """Megabytes."""
    running = [each for each in processes if each.is_running()]
    sizes = [area.private_dirty for each in running for area in each.memory_maps()]
    return f"{sum(sizes) / 1e6:.0f}"


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 10)

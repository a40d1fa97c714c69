"""What the practice page's memory comes to while it plays on.

`python -m benchmarks.page_memory PACK [MINUTES]` repeats a pack's first drill in the tests'
Chromium and Firefox, both at once, and prints each minute what all processes of each have for
themselves (megabytes; what they share with others is not counted), for ten minutes if nothing is
said.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import psutil
from playwright.sync_api import sync_playwright

from tests.conftest import chromium, with_fetched_libraries
from tests.page.firefox import firefox


def main(pack: Path, minutes: int) -> None:
    """Print the table."""
    url = (pack / "index.html").resolve().as_uri()
    with with_fetched_libraries():
        driver = sync_playwright().start()
    own = psutil.Process()
    before = set(own.children(recursive=True))
    chrome = driver.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
    page = chrome.new_page()
    page.goto(url)
    page.check("#repeat")
    page.click("#play")
    first = set(own.children(recursive=True)) - before
    with tempfile.TemporaryDirectory() as folder, firefox(Path(folder)) as second:
        second.open(url)
        second.until("place", "^Bar 1 of")
        second.set(repeat=True)
        second.click("#play")
        print("| minute | Chromium | Firefox |\n| --- | --- | --- |")
        for minute in range(minutes + 1):
            if minute:
                page.wait_for_timeout(60_000)
            all_of = set(own.children(recursive=True)) - before
            print(f"| {minute} | {_own(first & all_of)} | {_own(all_of - first)} |", flush=True)
        print(f"Last seen: {page.inner_text('#place')} | {second.text('place')}")
    chrome.close()
    driver.stop()


def _own(processes: set[psutil.Process]) -> int:
    """Megabytes."""
    sizes = [int(each.memory_full_info().uss) for each in processes if each.is_running()]
    return round(sum(sizes) / 1e6)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 10)

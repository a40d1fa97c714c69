"""How long a student on a slow line waits for the first sound of the page.

`python -m benchmarks.page_start PACK` serves a pack and opens its page in the tests' Chromium with
a processor four times slower, over slow 3G (400 kbit/s, 400 ms there and back) and fast 3G
(1.6 Mbit/s, 150 ms): the usual figures, from memory.  It touches Play as soon as it can be touched
and says when the first note was struck, and how many files and bytes had come by then.
"""

from __future__ import annotations

import sys
import threading
from ipaddress import IPv4Address
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from drillgen.serve.server import open_server
from tests.conftest import chromium, with_fetched_libraries

LINES = {"slow 3G": (400, 400), "fast 3G": (1600, 150)}  # kbit/s, ms
_HEARD = """() => {
    const { start } = AudioBufferSourceNode.prototype;
    AudioBufferSourceNode.prototype.start = function (...when) {
        window.heardAt ??= performance.now();
        return start.apply(this, when);
    };
}"""


def main(pack: Path) -> None:
    """Print the table."""
    server = open_server(pack, IPv4Address("127.0.0.1"))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    with with_fetched_libraries():
        driver = sync_playwright().start()
    browser = driver.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
    for name, (rate, delay) in LINES.items():
        seconds, files, size = first_sound(browser, server.url, rate, delay)
        print(f"{name}: {seconds:.1f} s, {files} files, {size / 1000:.0f} kB")
    browser.close()
    driver.stop()
    server.shutdown()


def first_sound(browser: Browser, url: str, rate: int, delay: int) -> tuple[float, int, float]:
    """Seconds from the page's beginning to its first sound; files and bytes until then."""
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.add_init_script(f"({_HEARD})()")
    link = context.new_cdp_session(page)
    link.send("Network.enable")
    come: list[float] = []
    link.on("Network.loadingFinished", lambda event: come.append(event["encodedDataLength"]))
    speed = rate * 1000 / 8
    facts = {"offline": False, "latency": delay}
    speeds = {"downloadThroughput": speed, "uploadThroughput": speed}
    link.send("Network.emulateNetworkConditions", facts | speeds)
    link.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    page.goto(url, wait_until="commit")
    page.wait_for_function("window.drillgen && document.getElementById('title').textContent")
    page.click("#play")
    page.wait_for_function("window.heardAt", timeout=120_000)
    seconds = float(page.evaluate("heardAt")) / 1000
    context.close()
    return seconds, len(come), sum(come)


if __name__ == "__main__":
    main(Path(sys.argv[1]))

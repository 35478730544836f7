"""A machine's page with six signals over 24 h on a slow phone: how soon drawn, how many bytes.

Records a day (seeded, 1 Hz, a batch each 10 s; the daemon writes up to four a second), starts the
daemon on it, opens the page in headless Chromium at phone size with the CPU slowed 4 times and the
network of DevTools' "Slow 4G" (1.44 Mbit/s down, 0.675 up, 562 ms). Prints one JSON line; exit code
1 when drawing takes more than 1.5 s or more than 40 kB come over the wire, both at a first visit
without any cache.

    python tests/bench/page.py [--rounds 5] [--step 1]
"""

import argparse
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from playwright.sync_api import sync_playwright

from tests.waiting import until
from tests.web.browsers import chromium, phone
from tests.web.house import House
from tests.web.stage import fill_past

DRAWN_S_MAX, WIRE_KB_MAX = 1.5, 40.0
SLOW_4G = {
    "offline": False, "latency": 562, "downloadThroughput": 1.44e6 / 8,
    "uploadThroughput": 0.675e6 / 8,
}  # fmt: skip
MARK = """
new MutationObserver(() => {
  if (!window.drawnAt && document.querySelectorAll('.chart .line').length >= 6)
    requestAnimationFrame(() => requestAnimationFrame(() => { window.drawnAt ||= performance.now(); }));
}).observe(document, {childList: true, subtree: true});
"""  # noqa: E501


def visit(context, path: str) -> dict[str, float]:
    """One visit: when all six charts were on screen, first paint, bytes over the wire."""
    page = context.new_page()
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.send("Network.emulateNetworkConditions", SLOW_4G)
    wire.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    got: list[float] = []
    wire.on("Network.loadingFinished", lambda event: got.append(event["encodedDataLength"]))
    page.add_init_script(MARK)
    page.goto(path)
    page.wait_for_function("window.drawnAt > 0")
    page.wait_for_load_state("load")
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    drawn = page.evaluate("window.drawnAt")
    page.wait_for_timeout(800)
    page.close()
    return {"drawn_s": drawn / 1000, "paint_s": paint / 1000, "wire_kb": sum(got) / 1000}


def main() -> int:
    """Measure and print; 0 when within both bounds."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n", 1)[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--step", type=int, default=1, help="seconds between samples (1)")
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as name,
        sync_playwright() as driver,
        chromium(driver) as browser,
    ):
        folder = Path(name)
        fill_past(folder, 24, given.step, batch_s=10)
        house = House(folder).start()
        try:
            began_s = time.perf_counter()
            until(lambda: house.parts.past.whole, 600, "the day is read")
            read_s = time.perf_counter() - began_s
            cookie = house.member("anna", "owner")
            began_s = time.perf_counter()
            text = house.client(cookie).get("/machines/mill-1?span=86400").text
            server_s = time.perf_counter() - began_s
            cold, warm = [], []
            for _ in range(given.rounds):
                context = phone(browser, house, cookie)
                cold.append(visit(context, "/machines/mill-1?span=86400"))
                warm.append(visit(context, "/machines/mill-1?span=86400"))
                context.close()
        finally:
            house.stop()
    found = {
        f"{name}_{what}": round(statistics.median(row[what] for row in rows), 2)
        for name, rows in (("cold", cold), ("warm", warm))
        for what in ("drawn_s", "paint_s", "wire_kb")
    }
    charts = text.count('class="line"')
    found |= {
        "charts": charts,
        "server_s": round(server_s, 3),
        "reading_the_day_s": round(read_s, 1),
    }
    good = found["cold_drawn_s"] <= DRAWN_S_MAX and found["cold_wire_kb"] <= WIRE_KB_MAX
    print(json.dumps(found | {"within": good}))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())

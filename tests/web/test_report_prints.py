"""The report in a real browser: offline, on a phone, on paper."""

import re

from axe_playwright_python.sync_playwright import Axe

from condmon.cli import main
from condmon.engine.records import Action
from condmon.web.photos import Photos
from tests.ledgers import Lived
from tests.shell.test_report import picture


def test_it_opens_offline_without_a_complaint_prints_and_fits_a_phone(browser, tmp_path):
    lived = Lived(tmp_path)
    lived.day()
    names = [Photos(lived.folder).keep(picture("red"))]
    note = Action(lived.now_us, "note", "ben", machine="mill-1", text=f"seal [photo {names[0]}]")
    lived.say(note)
    lived.close()
    out = tmp_path / "report.html"
    words = ["--machine", "mill-1", "--day", "2026-11-25", "-o", str(out)]
    assert 0 == main(["log", "-c", str(lived.config_path), "report", *words])
    context = browser.new_context(viewport={"width": 360, "height": 740}, offline=True)
    tab = context.new_page()
    complaints: list[str] = []
    tab.on("console", lambda message: complaints.append(message.text))
    tab.on("request", lambda asked: complaints.append(asked.url)
           if not asked.url.startswith(("file:", "data:")) else None)  # fmt: skip
    tab.goto(out.as_uri())
    assert "Five-axis mill" == tab.locator("h1").inner_text()
    assert tab.evaluate("document.documentElement.scrollWidth") <= 360
    assert tab.evaluate("document.images[0].naturalWidth") == 40
    assert tab.locator("svg").count() >= 6
    found = Axe().run(tab).response["violations"]
    faults = [f"{v['id']}: {node['html'][:120]}" for v in found for node in v["nodes"]]
    printed = tab.pdf(prefer_css_page_size=True)
    context.close()
    assert "Yes, as far as its chain can show" in out.read_text()
    assert [] == complaints
    assert printed.startswith(b"%PDF-")
    assert [] == faults
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 8

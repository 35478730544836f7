"""Every page for everyone: axe-core finds nothing, targets fit a glove, it fits a small phone."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe

from condmon.web.app import routes
from tests.web.browsers import DESK, PHONE, SMALL, phone
from tests.web.house import PASSWORD, House

pytestmark = pytest.mark.slow

NOT_PAGES = re.compile(r"/(api|live|static|photos)/?|.*\.(crt|webmanifest|js)$")
FILLED = {"number": "1", "machine_id": "mill-1", "alert_id": "{hot}", "machine": "mill-1"}
MORE = ["/alerts/{door}", "/log?words=door", "/machines/mill-9", "/report?week=1"]
DOORS = ["/sign-in", "/pair"]
TARGETS = """() => {
  const found = [];
  for (const one of document.querySelectorAll(
      "a[href], button, select, textarea, summary, input:not([type=hidden])")) {
    const box = one.getBoundingClientRect();
    if (one.matches(".skip") || box.width === 0 || box.height === 0) continue;
    if (box.height < 48 || box.width < 48)
      found.push(`${one.tagName} ${one.textContent.trim()}: ${box.width}x${box.height}`);
  }
  return found;
}"""
COLOURS = """() => axe.run({runOnly: ["color-contrast", "link-in-text-block"]}).then(r =>
  r.violations.flatMap(v => v.nodes.map(n => `${v.id}: ${n.html.slice(0, 120)}`)))"""
OPEN_ALL = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"


def pages() -> list[str]:
    """Every page of the route table that someone who is signed in can look at."""
    found = [route.path for route in routes() if "GET" in route.methods]
    inside = [path for path in found if not NOT_PAGES.match(path) and path not in DOORS]
    return [re.sub(r"\{(\w+)\}", lambda m: FILLED.get(m[1], "x"), p) for p in inside] + MORE


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    """A house with an alert that lasts, one that is over, and an owner."""
    web = "own_certificate = true\ninstall_port = 0"
    house = House(tmp_path_factory.mktemp("stage"), web=web).start()
    house.healthy()
    door = house.raise_alert("door-open-while-turning")
    house.end_alert(door.id)
    hot = house.raise_alert("nose-bearing-hot")
    yield house, {"door": door.id, "hot": hot.id}, house.member("anna", "owner", PASSWORD)
    house.stop()


@pytest.fixture(scope="module")
def sheet(browser, stage):
    """One page of a signed-in phone; it stands still while it is measured."""
    house, _, owner = stage
    context = phone(browser, house, owner, size=PHONE)
    context.route("**/live*", lambda route: route.abort())
    yield context.new_page()
    context.close()


def violations(page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {node['html'][:120]}" for v in found for node in v["nodes"]]


def look_through(page) -> None:
    """Everything that has to hold on a page: by day, in the dark, on the smallest phone."""
    page.evaluate(OPEN_ALL)
    assert [] == violations(page)
    assert [] == page.evaluate(TARGETS)
    page.emulate_media(color_scheme="dark")
    assert [] == page.evaluate(COLOURS)
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(SMALL)
    assert page.evaluate("document.documentElement.scrollWidth") <= SMALL["width"]
    assert [] == page.evaluate(TARGETS)
    page.set_viewport_size(PHONE)


@pytest.mark.parametrize("path", pages())
def test_on_every_page_axe_finds_nothing_and_targets_are_48_px_and_it_fits_320_px(
    stage, sheet, path
):
    _, ids, _ = stage
    answer = sheet.goto(path.format(**ids))
    assert "text/html" in answer.headers["content-type"]
    look_through(sheet)


@pytest.mark.parametrize("path", DOORS)
def test_on_the_doors_axe_finds_nothing_and_targets_are_48_px(stage, browser, path):
    context = phone(browser, stage[0])
    page = context.new_page()
    page.goto(path)
    look_through(page)
    context.close()


def test_on_the_page_with_a_pairing_code_axe_finds_nothing(sheet):
    sheet.goto("/people")
    sheet.get_by_role("button", name="Pair a phone for anna").tap()
    sheet.locator(".code").wait_for()
    look_through(sheet)


def test_axe_finds_nothing_on_a_desk(stage, browser):
    house, _, owner = stage
    context = phone(browser, house, owner, size=DESK)
    page = context.new_page()
    for path in ("/", "/machines/mill-1"):
        page.goto(path)
        assert [] == violations(page)
    context.close()


def test_the_whole_alert_and_its_button_are_on_the_first_screen(stage, sheet):
    """The order of a person's questions: urgency and machine, what, since, why, look first, who."""
    _, ids, _ = stage
    sheet.goto(f"/alerts/{ids['hot']}")
    text = sheet.locator("article.alert").inner_text().lower()
    order = ["now", "five-axis mill", "upper spindle bearing is hot", "since", "52.5", "why it",
             "look first", "who has seen it"]  # fmt: skip
    places = [text.index(word) for word in order]
    assert sorted(places) == places
    button = sheet.get_by_role("button", name="I have seen this").bounding_box()
    assert button["height"] >= 72
    assert 839 / 2 <= button["y"] <= 839 - 72
    for words in ("Who has seen it", "Look first"):
        assert sheet.get_by_text(words).bounding_box()["y"] < button["y"] - 16


def test_the_report_of_a_week_prints_its_words_and_no_buttons(sheet):
    sheet.goto("/report?week=1")
    sheet.emulate_media(media="print", color_scheme="dark")
    assert not sheet.locator("nav").is_visible()
    assert 0 == sheet.locator(".button:visible").count()
    assert sheet.get_by_role("heading", name="Alerts by what they were").is_visible()
    ground = sheet.evaluate("getComputedStyle(document.body).backgroundColor")
    assert "rgb(255, 255, 255)" == ground  # dark phones print on white paper too
    assert sheet.pdf().startswith(b"%PDF-")
    sheet.emulate_media(media="screen", color_scheme="light")


def test_the_measuring_finds_a_small_button_a_wide_page_and_a_pale_word(sheet):
    sheet.goto("/more")
    sheet.evaluate("document.querySelector('main button').style = 'min-height: 18px; padding: 0'")
    assert sheet.evaluate(TARGETS)
    sheet.evaluate("document.querySelector('main h1').style = 'width: 900px; color: #ccc'")
    assert violations(sheet)
    assert sheet.evaluate(COLOURS)
    sheet.set_viewport_size(SMALL)
    assert sheet.evaluate("document.documentElement.scrollWidth") > SMALL["width"]
    sheet.set_viewport_size(PHONE)

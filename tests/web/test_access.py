"""Every page for everyone: axe-core finds nothing, every target is large enough for a glove."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.web.browsers import DESK, PHONE, phone
from tests.web.house import PASSWORD, House

pytestmark = pytest.mark.slow

SIGNED_IN = ["/", "/alerts/{hot}", "/alerts/{door}", "/machines", "/machines/mill-1",
             "/unexplained", "/log", "/log?words=door", "/people", "/ways", "/more", "/report",
             "/report?week=1",
             "/machines/mill-9", "/offline"]  # fmt: skip
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


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    """A house with an alert that lasts, one that is over, and an owner."""
    house = House(tmp_path_factory.mktemp("stage")).start()
    house.healthy()
    door = house.raise_alert("door-open-while-turning")
    house.end_alert(door.id)
    hot = house.raise_alert("nose-bearing-hot")
    yield house, {"door": door.id, "hot": hot.id}, house.member("anna", "owner", PASSWORD)
    house.stop()


@pytest.fixture(scope="module", params=["light", "dark"])
def context(request, browser, stage):
    house, _, owner = stage
    made = phone(browser, house, owner, size=PHONE, dark=request.param == "dark")
    made.route("**/live*", lambda route: route.abort())  # it stands still while it is measured
    yield made
    made.close()


def violations(page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {node['html'][:120]}" for v in found for node in v["nodes"]]


@pytest.mark.parametrize("path", SIGNED_IN)
def test_axe_finds_nothing_and_targets_are_48_px(stage, context, path):
    _, ids, _ = stage
    page = context.new_page()
    page.goto(path.format(**ids))
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert [] == violations(page)
    assert [] == page.evaluate(TARGETS)
    page.close()


@pytest.mark.parametrize("path", DOORS)
def test_axe_finds_nothing_at_the_doors(stage, browser, path):
    page = phone(browser, stage[0]).new_page()
    page.goto(path)
    assert [] == violations(page)
    assert [] == page.evaluate(TARGETS)
    page.close()


def test_axe_finds_nothing_on_the_page_with_a_pairing_code(stage, context):
    page = context.new_page()
    page.goto("/people")
    page.get_by_role("button", name="Pair a phone for anna").tap()
    page.locator(".code").wait_for()
    assert [] == violations(page)
    assert [] == page.evaluate(TARGETS)
    page.close()


def test_axe_finds_nothing_on_a_desk(stage, browser):
    house, _, owner = stage
    page = phone(browser, house, owner, size=DESK).new_page()
    for path in ("/", "/machines/mill-1"):
        page.goto(path)
        assert [] == violations(page)
    page.close()


def test_the_whole_alert_and_its_button_are_on_the_first_screen(stage, context):
    """The order of DESIGN: urgency and machine, what, since, why, look first, who, caution."""
    _, ids, _ = stage
    page = context.new_page()
    page.goto(f"/alerts/{ids['hot']}")
    text = page.locator("article.alert").inner_text().lower()
    order = ["now", "five-axis mill", "upper spindle bearing is hot", "since", "52.5", "why it",
             "look first", "who has seen it"]  # fmt: skip
    places = [text.index(word) for word in order]
    assert sorted(places) == places
    button = page.get_by_role("button", name="I have seen this").bounding_box()
    assert button["height"] >= 72
    assert 839 / 2 <= button["y"] <= 839 - 72
    for words in ("Who has seen it", "Look first"):
        assert page.get_by_text(words).bounding_box()["y"] < button["y"] - 16
    page.close()


def test_the_test_of_targets_finds_a_small_button(stage, context):
    page = context.new_page()
    page.goto("/more")
    page.evaluate("document.querySelector('main button').style = 'min-height: 18px; padding: 0'")
    assert page.evaluate(TARGETS)
    page.close()

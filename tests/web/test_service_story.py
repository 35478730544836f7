"""The story of one service, by commands and in the browser, on a simulated mill.

Hydraulic pressure sags and the load of y grows; a note comes, then an alert for today; a visit is
planned with evidence and spares; the hydraulic unit is exchanged and the bearing block of y
replaced; the tool setter steps and is asked about; the run after it fails on an air fitting, passes
once that is tight, is signed for, and a new baseline keeps quiet.
"""

import contextlib
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser

from condmon.cli import main
from condmon.commands.visittext import steps_words
from tests.storyhouse import StoryHouse
from tests.storyshop import Wear
from tests.web.browsers import errors_of, phone
from tests.web.house import PASSWORD
from tests.web.test_access import look_through

BASE, WEARING, AFTER = 4, 7, 4
"""Days; a service that takes weeks is lived through by the long test."""
WEEKS = (7, 21, 14)
WORN = Wear(sag=0.16, drag=0.7)
DONE = Wear(leak=3.0, offset=18.0)  # the fitting was not tight, the setter was moved
GOOD = Wear(offset=18.0)


def wearing(base: int, days: int) -> Callable[[int], Wear]:
    """How far it is worn on each day."""

    def on(day: int) -> Wear:
        share = min(max(0.0, (day - base) / days), 1.0)
        return Wear(sag=WORN.sag * share, drag=WORN.drag * share)

    return on


@pytest.fixture(scope="module")
def story(tmp_path_factory, browser) -> Iterator[StoryHouse]:
    """The house after the whole story; what each chapter saw stands in `seen`."""
    with lived(tmp_path_factory.mktemp("story"), browser, (BASE, WEARING, AFTER)) as house:
        yield house


@contextmanager
def lived(folder: Path, browser: Browser, spans: tuple[int, int, int]) -> Iterator[StoryHouse]:
    """A house that has lived through the story, with so many days before, worn and after."""
    house = StoryHouse(folder).start()
    house.seen = {}
    accounts = house.parts.accounts
    accounts.add("kim", "owner", PASSWORD)
    house.cookie = accounts.sign_in("kim", "kim's phone", "127.0.0.1")
    try:
        _worn(house, house.seen, *spans[:2])
        _planned(house, house.seen)
        _visited(house, house.seen)
        _failed(house, house.seen)
        _passed(house, house.seen, browser, spans[2])
        yield house
    finally:
        house.stop()


def _worn(house: StoryHouse, seen: dict, base: int, days: int) -> None:
    house.say("add", "hydraulic unit", "--serial", "H-17", "--machine", "mill-1", "--place",
              "hydraulics", "--used", "hours_on=5200")  # fmt: skip
    house.say("add", "bearing block y", "--serial", "Y-1", "--machine", "mill-1", "--place",
              "axis y")  # fmt: skip
    house.live(base + days + 1, wearing(base, days))
    seen["told"], seen["planned_us"] = house.told(), house.clock.now_us()


def _planned(house: StoryHouse, seen: dict) -> None:
    [seen["plan"]] = house.say("plan", "mill-1", "November visit", "--key", "nov", "--who", "Kim")
    house.say("add", "hydraulic unit", "--key", "unit-new", "--serial", "H-32")
    house.say("add", "bearing block y", "--key", "block-new", "--serial", "Y-2")
    house.say("new-series", "mill-1", "Backlash of y", "--key", "backlash-y", "--tolerance", "8")
    house.say("part", "nov", "hydraulic unit", "--taken", "1")
    house.say("part", "nov", "wiper of y", "--taken", "2")


def _visited(house: StoryHouse, seen: dict) -> None:
    house.say("begin", "nov", "--who", "Kim and Robin")
    [seen["before"]] = house.say("measure", "backlash-y", "4.5", "--unit", "tenths", "--when",
                                 "before", "--visit", "nov")  # fmt: skip
    house.say("exchange", "hydraulic-unit", "unit-new", "--visit", "nov")
    house.say("remove", "bearing-block-y", "--to", "scrap", "--visit", "nov")
    house.say("install", "block-new", "mill-1", "axis y", "--visit", "nov")
    house.say("part", "nov", "hydraulic unit", "--used", "1")
    house.say("part", "nov", "wiper of y", "--used", "1", "--returned", "1")
    house.say("found", "nov", "inner race of the block is pitted")
    house.live(1, DONE)
    [seen["after"]] = house.say("measure", "backlash-y", "1", "--unit", "tenths", "--when", "after",
                                "--visit", "nov")  # fmt: skip
    house.seen["told in the visit"] = house.told()[len(seen["told"]) :]
    [seen["end"]] = house.say("end", "nov")
    seen["asks"] = house.say("series")


def _failed(house: StoryHouse, seen: dict) -> None:
    [seen["steps"]] = house.say("run", "nov")
    house.live(1, DONE)
    [seen["first"]] = house.say("judge", "nov")
    [seen["refused"]] = house.say("sign", "nov", fails=2)


def _passed(house: StoryHouse, seen: dict, browser: Browser, after: int) -> None:
    """In the browser, on a phone."""
    context = phone(browser, house, house.cookie)
    page = context.new_page()
    seen["complaints"] = errors_of(page)
    page.goto("/series/mill-1.setter")
    page.get_by_label("Why").fill("setter was moved")
    page.get_by_role("button", name="Yes, begin a new base").tap()
    seen["answer"] = page.locator(".said[role=status]", has_text="expected").inner_text()
    page.goto("/visits/nov")
    seen["no sign"] = page.get_by_role("button", name="Sign as").count()
    page.get_by_role("button", name="Begin the run anew").tap()
    page.locator(".said[role=status]", has_text="run after November visit begins").wait_for()
    house.live(1, GOOD)
    page.get_by_role("button", name="Compare the run so far").tap()
    page.locator(".verdict b", has_text="pass").wait_for()
    seen["second"] = house.say("visit", "nov")[0]["verdict"]
    page.get_by_role("button", name="Sign as kim").tap()
    seen["signed"] = page.locator(".said[role=status]", has_text="is signed for").inner_text()
    context.close()
    seen["open"] = [a.title for a in house.alerts(ended_us=None)]
    seen["before the quiet"] = len(house.told())
    signed_us = house.clock.now_us()
    house.live(after, GOOD)
    seen["quiet"] = house.told()[seen["before the quiet"] :]
    seen["raised after"] = [a.title for a in house.alerts() if a.raised_us > signed_us]


def figures(verdict: dict, *words: str) -> dict[str, str]:
    """Key and verdict of the figures of a run that are one of these."""
    return {f["key"]: f["verdict"] for f in verdict["findings"] if f["verdict"] in words}


def test_wear_is_told_as_a_note_first_and_for_today_later(story):
    before = [a for a in story.alerts() if a.raised_us < story.seen["planned_us"]]
    note = {a.title: a.raised_us for a in reversed(before) if a.urgency == "note"}
    today = {a.title: a.raised_us for a in reversed(before) if a.urgency == "today"}
    assert {"Y axis works harder than it did", "stroke of Y axis has changed"} <= set(note)
    assert {"hydraulic pressure sags", "Y axis works much harder than it did"} == set(today)
    assert min(note.values()) < min(today.values())
    told = {title for urgency, title, _ in story.seen["told"] if urgency == "today"}
    assert {f"Five-axis mill TODAY: {title}" for title in today} == told


@pytest.mark.long
def test_three_weeks_of_wear_and_two_quiet_weeks_after_the_visit(tmp_path, browser):
    with lived(tmp_path, browser, WEEKS) as house:
        before = [a for a in house.alerts() if a.raised_us < house.seen["planned_us"]]
        first = {u: min(a.raised_us for a in before if a.urgency == u) for u in ("note", "today")}
        assert first["note"] < first["today"]
        assert ("fail", "pass") == (
            house.seen["first"]["verdict"], house.seen["second"]["verdict"],
        )  # fmt: skip
        assert ([], []) == (house.seen["quiet"], house.seen["raised after"])


def test_a_visit_is_planned_with_evidence_and_spares_each_with_its_reason(story):
    plan = story.seen["plan"]
    kinds = {kind for kind, _ in plan["evidence"]}
    spares = dict(plan["spares"])
    assert {"open alert", "trend"} <= kinds
    assert "hydraulic pressure" in spares["hydraulic unit, or its pump and seals"]
    assert "Load of y" in spares["ball screw bearing block of the Y axis"]


def test_the_old_unit_leaves_with_its_life_and_the_new_one_starts_at_zero(story):
    rows = {r["key"]: r for r in story.say("list")}
    old, new = rows["hydraulic-unit"], rows["unit-new"]
    days_before, days_after = BASE + WEARING + 1, 1 + 2 + AFTER
    assert ("exchange", "installed") == (old["where"], new["where"])
    assert 5200 + 11.5 * days_before == pytest.approx(old["life"]["hours_on"], abs=0.2)
    assert 11.5 * days_after == pytest.approx(new["life"]["hours_on"], abs=0.2)
    assert "scrap" == rows["bearing-block-y"]["where"]


def test_alerts_during_the_visit_are_logged_and_told_to_nobody(story):
    assert [] == story.seen["told in the visit"]
    raised = [
        e.text for e in story.entries("alert") if "during the visit, told to nobody" in e.text
    ]
    assert any("air leak" in text for text in raised)


def test_measurements_before_and_after_are_kept_in_um_and_tied_to_the_visit(story):
    [chart] = story.say("chart", "backlash-y")
    assert [("before", 11.43), ("after", 2.54)] == [
        (p["when"], pytest.approx(p["value"])) for p in chart["points"]
    ]
    assert {"nov"} == {p["visit"] for p in chart["points"]}
    assert "beyond its tolerance" in story.seen["before"]["text"]


def test_the_step_of_the_tool_setter_is_asked_about_and_confirmed(story):
    asked = next(s for s in story.seen["asks"] if s["key"] == "mill-1.setter")
    assert 18 == pytest.approx(asked["asks"][-1]["step"], abs=4)
    assert "was expected; new base: setter was moved" in story.seen["answer"]
    [alert] = story.alerts(check="probe-shift")
    assert alert.cause.startswith("expected after")
    [series] = [s for s in story.say("series") if s["key"] == "mill-1.setter"]
    assert [] == series["asks"]


def test_the_run_fails_on_the_fitting_first_and_cannot_be_signed_for(story):
    first = story.seen["first"]
    assert "fail" == first["verdict"]
    failed = figures(first, "fail")
    assert {"leaks/air-idle", "leaks/air-off"} == {k for k in failed if k.startswith("leaks")}
    assert "has failed" in story.seen["refused"]["error"]
    assert 0 == story.seen["no sign"]


def test_the_run_passes_with_baseline_worn_and_new_figures_side_by_side(story):
    second = story.seen["second"]
    assert {} == figures(second, "fail", "cannot tell")
    assert "pass" == second["verdict"]
    by_key = {f["key"]: f for f in second["findings"]}
    low = by_key["leaks/hydraulic-lowest"]
    assert (55.3, 46.5, 55.3) == (
        pytest.approx(low["base"], abs=0.3),
        pytest.approx(low["before"], abs=0.6),
        pytest.approx(low["now"], abs=0.3),
    )
    load = by_key["axes/load_y"]
    assert load["before"] > 1.5 * load["base"]
    assert load["base"] == pytest.approx(load["now"], rel=0.05)
    assert {"cold", "air", "leaks", "coolant", "speed", "axes", "door", "probe"} == set(
        second["steps"]
    )


def test_figures_of_the_run_are_those_of_the_simulated_mill(story):
    now = {f["key"]: f["now"] for f in story.seen["second"]["findings"]}
    assert 8 == pytest.approx(now["air/oil"], abs=0.5)  # a pulse every 8 turning minutes
    assert 38.2 == pytest.approx(now["air/turning"], abs=0.2)
    assert 6.3 == pytest.approx(now["air/pressure"], abs=0.2)  # its lowest
    assert 0.2 == pytest.approx(now["leaks/air-idle"], abs=0.1)
    assert 0.8 == pytest.approx(now["leaks/hydraulic-fall"], abs=0.05)  # bar a minute
    assert 0 == pytest.approx(now["coolant/set-point"], abs=0.1)
    assert 0 == pytest.approx(now["cold/bearing"], abs=0.3)
    assert 13.9 == pytest.approx(now["speed/bearing/12000"], abs=0.3)  # 14 K, nearly settled
    assert 0.925 == pytest.approx(now["door/latch"], abs=0.02)
    assert 18 == pytest.approx(now["probe/setter"], abs=2)


def test_traces_of_y_lie_over_each_other_before_and_after(story):
    shapes = story.seen["second"]["shapes"]["stroke_y"]
    bump = {kind: max(values) for kind, values in shapes.items()}
    assert bump["before"] > bump["baseline"] + 8
    assert bump["baseline"] == pytest.approx(bump["now"], abs=1.5)


def test_it_is_signed_for_by_name_and_the_new_baseline_is_quiet(story):
    assert "is signed for with nothing open; a new baseline begins" in story.seen["signed"]
    [visit] = story.say("visit", "nov")
    assert ("signed", "kim") == (visit["state"], visit["signed_by"])
    assert [] == story.seen["complaints"]
    assert [] == story.seen["quiet"]
    assert [] == story.seen["raised after"]


def test_every_line_of_the_story_is_in_the_chained_log(story, capsys):
    assert 0 == main(["log", "-c", str(story.path), "verify"])
    texts = " | ".join(e.text for e in story.entries())
    for part in ("is planned", "begins by Kim and Robin", "removed, sent for exchange", "is over",
                 "run after November visit: fail", "run after November visit: pass",
                 "is signed for"):  # fmt: skip
        assert part in texts


PAGES = ("/visits", "/visits/nov", "/series", "/series/mill-1.setter", "/series/backlash-y")


def test_on_every_page_of_the_story_axe_finds_nothing_and_it_fits_a_small_phone(story, browser):
    context = phone(browser, story, story.cookie)
    context.route("**/live*", lambda route: route.abort())
    page = context.new_page()
    for path in PAGES:
        assert 200 == page.goto(path).status
        look_through(page)
    context.close()


def test_pages_of_the_story_work_without_a_script_and_a_viewer_only_reads(story, browser):
    accounts = story.parts.accounts
    accounts.add("vera", "viewer", PASSWORD)
    cookie = accounts.sign_in("vera", "vera's phone", "127.0.0.1")
    context = phone(browser, story, cookie, script=False)
    page = context.new_page()
    page.goto("/visits/nov")
    assert page.get_by_text("Signed by kim").is_visible()
    assert page.get_by_text("hydraulic unit: 1 taken, 1 used").is_visible()
    assert 0 == page.locator("main form").count()
    context.close()


def test_what_was_typed_survives_a_lost_connection_and_goes_once_it_is_taken_in(story, browser):
    context = phone(browser, story, story.cookie)
    page = context.new_page()
    page.goto("/visits")
    page.get_by_text("Plan a visit").tap()
    page.get_by_label("What for").fill("filters in spring")
    context.set_offline(True)
    page.close()
    context.set_offline(False)
    page = context.new_page()
    page.goto("/visits")
    assert "filters in spring" == page.get_by_label("What for").input_value()
    page.get_by_role("button", name="Plan it and gather the evidence").tap()
    page.get_by_role("heading", name="filters in spring").wait_for()
    page.goto("/visits")
    assert "" == page.get_by_label("What for").input_value()
    context.close()


def test_what_does_not_fit_is_told_on_the_page_and_changes_nothing(story, browser):
    context = phone(browser, story, story.cookie)
    page = context.new_page()
    page.goto("/series")
    page.get_by_text("Add a series").tap()
    page.get_by_label("What is measured").fill("drawbar force")
    page.get_by_label("Unit").fill("furlong")
    page.get_by_role("button", name="Add it").tap()
    page.locator(".said", has_text='"furlong" is no unit').wait_for()
    assert page.url.split("?")[0].endswith("/series")
    page.goto("/series/backlash-y")
    page.get_by_label("New value").fill("a bit")
    page.get_by_role("button", name="Write it down").tap()
    page.get_by_text("is no number; write it as 4.5").wait_for()
    assert 2 == story.say("chart", "backlash-y")[0]["values"]
    context.close()


def printed(story: StoryHouse, *words: str) -> str:
    """What a command says to people."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert 0 == main(["service", "-c", str(story.path), *words])
    return out.getvalue()


def test_commands_tell_people_the_same_in_plain_lines(story):
    visit = printed(story, "visit", "nov")
    for words in ("Return-to-service run: pass", "because: ", "hydraulic unit: 1 taken, 1 used",
                  "inner race of the block is pitted", "Signed by kim"):  # fmt: skip
        assert words in visit
    assert "signed" in printed(story, "visits", "--machine", "mill-1")
    assert "limits: " in printed(story, "chart", "mill-1.setter")
    assert "2.54 um (1 tenths) (after the work, nov" in printed(story, "chart", "backlash-y")
    assert "tool setter" in printed(story, "series")


def test_a_slip_in_a_command_names_what_was_meant(story):
    [told] = story.say("visit", "now", fails=2)
    assert 'The book has no visit "now"; did you mean "nov"?' in told["error"]
    [told] = story.say("measure", "backlash", "3", fails=2)
    assert 'did you mean "backlash-y"?' in told["error"]
    [told] = story.say("measure", "backlash-y", "3", "--unit", "bar", fails=2)
    assert 'a value in "bar" does not go into a series in um. Nothing was filed.' in told["error"]


def test_what_to_run_comes_with_its_cautions():
    text = "\n".join(steps_words())
    for words in ("Stored hydraulic pressure", "vertical axis can fall", "Never bypass a door",
                  "Lock out and tag", "no proof that the machine is safe"):  # fmt: skip
        assert words in text


def test_a_finding_with_a_photo_is_in_the_visit(story, browser):
    story.say("plan", "mill-1", "hoses", "--key", "hoses")
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), "grey").save(picture, "PNG")
    context = phone(browser, story, story.cookie)
    page = context.new_page()
    page.goto("/visits/hoses")
    page.get_by_text("Write down a finding").tap()
    page.get_by_label("What was found").fill("hose chafed at the door")
    page.get_by_label("Photo").set_input_files(
        {"name": "hose.png", "mimeType": "image/png", "buffer": picture.getvalue()}
    )
    page.get_by_role("button", name="Write it down").last.tap()
    page.locator(".entries li", has_text="hose chafed").get_by_role("link", name="photo").wait_for()
    link = page.get_by_role("link", name="photo").last.get_attribute("href")
    assert "image/jpeg" == context.request.get(link).headers["content-type"]
    context.close()

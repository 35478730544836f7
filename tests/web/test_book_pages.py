"""The service book on the phone: due work, a task done with reading and photo, components."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from condmon.engine.servicebook.components import Component
from condmon.web.book import tree
from tests.waiting import until
from tests.web.bookrows import fill_book
from tests.web.browsers import SMALL, errors_of, phone
from tests.web.test_access import COLOURS, OPEN_ALL, TARGETS
from tests.web.test_pages import photo_file


@pytest.fixture(scope="module")
def book(house):
    """The house with a book."""
    fill_book(house)
    return house


def tasks(house):
    return house.parts.shelf.read().book.tasks.known


@pytest.fixture(scope="module")
def sheet(book, browser):
    context = phone(browser, book, book.member("anna", "owner"))
    page = context.new_page()
    page.problems = errors_of(page)
    yield page
    context.close()


@pytest.mark.parametrize("path", ["/book", "/book/mill-1", "/book/mill-2", "/book/tasks/hoses",
                                  "/book/tasks/strength", "/book/components/spindle-a",
                                  "/book/components/pump-a"])  # fmt: skip
def test_pages_of_the_book_fit_a_glove_a_small_phone_and_every_eye(sheet, path):
    sheet.goto(path)
    sheet.evaluate(OPEN_ALL)
    assert [] == [v["id"] for v in Axe().run(sheet).response["violations"]]
    assert [] == sheet.evaluate(TARGETS)
    sheet.emulate_media(color_scheme="dark")
    assert [] == sheet.evaluate(COLOURS)
    sheet.emulate_media(color_scheme="light")
    size = sheet.viewport_size
    sheet.set_viewport_size(SMALL)
    assert sheet.evaluate("document.documentElement.scrollWidth") <= SMALL["width"]
    sheet.set_viewport_size(size)
    assert [] == sheet.problems


def test_due_work_comes_first_overdue_before_soon(sheet):
    sheet.goto("/book")
    rows = sheet.locator("main .rows").first.inner_text()
    assert rows.index("Overdue: Hydraulic hoses") < rows.index("Due soon: Coolant concentration")
    assert "Grease" not in rows


def test_caution_stands_before_the_button(sheet):
    sheet.goto("/book/tasks/hoses")
    text = sheet.locator("main").inner_text()
    assert text.index("A jet of oil") < text.index("Chafing") < text.index("It was inspected")


def test_an_inspection_with_reading_and_photo_is_two_fields_and_one_tap(book, sheet):
    sheet.goto("/book/tasks/filter")
    sheet.get_by_label("What was found").select_option("watch")
    sheet.get_by_label("Reading in mbar").fill("9,2")
    sheet.get_by_label("Photo").set_input_files(
        {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": photo_file()}
    )
    sheet.get_by_role("button", name="It was inspected").tap()
    said = sheet.locator(".said").inner_text()
    assert "inspected, watch: Oil mist filter (filter), reading 9.2 mbar (above 8)" in said
    until(lambda: tasks(book)["filter"].doings, 10, "it is in the book")
    _, what, by, reading, _, photo = tasks(book)["filter"].doings[-1]
    assert ("watch", "anna", 9.2) == (what, by, reading)
    assert 200 == book.client(book.member("anna")).get(f"/photos/{photo}").status_code
    sheet.reload()
    assert "to be watched 9.2 mbar" in sheet.locator("main").inner_text()
    sheet.goto("/book")
    assert "Oil mist filter" not in sheet.locator("main .rows").first.inner_text()
    assert "to be watched" in sheet.locator("main").inner_text()


def test_what_was_typed_survives_a_lost_connection(sheet):
    sheet.goto("/book/tasks/grease")
    sheet.get_by_label("Remark").fill("two strokes of the gun")
    sheet.goto("/book")
    sheet.goto("/book/tasks/grease")
    assert "two strokes of the gun" == sheet.get_by_label("Remark").input_value()


def test_a_task_is_put_off_with_a_reason_only(book, sheet):
    sheet.goto("/book/tasks/wipers")
    sheet.evaluate(OPEN_ALL)
    sheet.get_by_label("Why?").first.fill("no time")
    sheet.get_by_label("Put off by so many days").fill("10")
    sheet.get_by_role("button", name="Leave it out").tap()
    assert "put off for 10 days" in sheet.locator(".said").inner_text()
    until(lambda: tasks(book)["wipers"].held_until_us, 10, "it is in the book")


def test_without_a_script_a_component_goes_out_and_another_comes_in(book, browser):
    context = phone(browser, book, book.member("anna"), script=False)
    page = context.new_page()
    page.goto("/book/components/motor-a")
    assert "4,100" in page.locator("main").inner_text()
    page.get_by_label("It was taken out and").select_option("exchange")
    page.get_by_label("Why?").fill("noisy")
    page.get_by_role("button", name="Write it down").tap()
    assert "removed, sent for exchange: noisy" in page.locator(".said").inner_text()
    page.goto("/book/components/pump-a")
    page.get_by_label("Place").fill("coolant")
    page.get_by_role("button", name="Write it down").tap()
    assert "installed: coolant" in page.locator(".said").inner_text()
    until(lambda: book.parts.shelf.read().book.components.at("mill-1", "coolant"), 10, "built in")
    context.close()


def test_a_component_is_described_anew_and_a_part_belongs_to_it(book):
    client = book.client(book.member("anna"))
    form = {"do": "component", "name": "Main spindle", "serial": "NP-4", "maker": "Ostrey"}
    assert 303 == client.post("/book/components/spindle-a", data=form).status_code
    form = {"do": "component", "name": "Rotary union", "place": "union", "part_of": "spindle-a"}
    assert 303 == client.post("/book/mill-1", data=form).status_code
    shelf = book.parts.shelf
    until(lambda: "rotary-union" in shelf.read().book.components.known, 10, "in the book")
    known = book.parts.shelf.read().book.components.known
    assert ("Main spindle", "NP-4") == (known["spindle-a"].name, known["spindle-a"].serial)
    assert "Rotary union" in client.get("/book/components/spindle-a").text
    assert "Part of" in client.get("/book/components/rotary-union").text
    assert "↳ union: Rotary union" in client.get("/book/mill-1").text


def test_parts_stand_behind_what_they_belong_to():
    keys = [("fan", "motor", "b"), ("motor", "spindle", "z"), ("pump", "", "c"),
            ("spindle", "", "m"), ("seal", "elsewhere", "a")]  # fmt: skip
    components = [Component(key, key, part_of=above, place=place) for key, above, place in keys]
    expected = [(0, "seal"), (0, "pump"), (0, "spindle"), (1, "motor"), (2, "fan")]
    assert expected == [(depth, component.key) for depth, component in tree(components)]


def test_component_and_task_are_added_and_the_starter_set_taken_over(book):
    client = book.client(book.member("anna"))
    answer = client.post(
        "/book/mill-2", data={"do": "component", "name": "Draw bar", "place": "spindle"}
    )
    assert 303 == answer.status_code
    form = {"do": "task", "name": "Chips out", "sort": "cleaning", "days": "3,5", "text": "a\n\nb"}
    answer = client.post("/book/mill-2", data=form)
    assert 303 == answer.status_code
    client.post("/book/mill-2", data={"do": "starter"})
    until(lambda: len([t for t in tasks(book).values() if t.machine == "mill-2"]) > 20, 10, "tasks")
    assert ({"days": 3.5}, ["a", "b"]) == (
        tasks(book)["chips-out"].every,
        tasks(book)["chips-out"].do,
    )
    assert book.parts.shelf.read().book.components.at("mill-2", "spindle").name == "Draw bar"
    assert "tasks to begin with" not in client.get("/book/mill-2").text


def test_a_task_is_changed_and_keeps_what_was_not_touched(book, sheet):
    sheet.goto("/book/tasks/grease")
    sheet.evaluate(OPEN_ALL)
    sheet.get_by_label("Every so many hours with the spindle turning").fill("1200")
    sheet.get_by_label("Every so many days").fill("90")
    sheet.get_by_label("Steps, one a line").fill("Two strokes.\nWipe.")
    sheet.get_by_role("button", name="Change the task").tap()
    assert "task Grease the magazine (grease) is changed" in sheet.locator(".said").inner_text()
    until(lambda: tasks(book)["grease"].do, 10, "it is in the book")
    task = tasks(book)["grease"]
    assert {"hours_turning": 1200, "days": 90} == task.every
    assert ["Two strokes.", "Wipe."] == task.do
    assert ("Grease the magazine", "service") == (task.title, task.sort)


@pytest.mark.parametrize(
    ("path", "form", "status", "said"),
    [
        ("/book/tasks/hoses", {"do": "inspected", "reading": "much"}, 400, "no number"),
        ("/book/tasks/hoses", {"do": "skipped", "text": "x", "days": "1,000"}, 400, "two ways"),
        ("/book/tasks/hoses", {"do": "explode"}, 422, "cannot be read"),
        ("/book/tasks/nothing", {"do": "done"}, 404, "no such task"),
        ("/book/components/nothing", {"do": "removed"}, 404, "no such component"),
        ("/book/mill-9", {"do": "starter"}, 404, "no such machine"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told_in_words(book, path, form, status, said):
    answer = book.client(book.member("anna")).post(path, data=form)
    assert (status, True) == (answer.status_code, said in answer.text)


def test_what_does_not_fit_the_book_is_said_and_changes_nothing(book):
    client = book.client(book.member("anna"))
    answer = client.post("/book/tasks/grease", data={"do": "inspected"})
    assert "was refused: found is missing" in client.get(answer.headers["Location"]).text


def test_a_viewer_reads_the_book_and_writes_nothing(book):
    client = book.client(book.member("vera", "viewer"))
    for path in ("/book", "/book/mill-1", "/book/tasks/grease", "/book/components/pump-a"):
        page = client.get(path)
        assert 200 == page.status_code
        assert 'method="post"' not in page.text
    assert 403 == client.post("/book/tasks/grease", data={"do": "done"}).status_code

"""The page that weighs other figures over the recorded days, beside the watch."""

import re

from tests.waiting import until
from tests.web.house import House

ASK = {"machine": "mill-1", "check": "nose-bearing-hot", "days": "7"}


def said(answer) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


def test_a_check_with_other_figures_is_weighed_and_told(house: House):
    anna = house.client(house.member("anna", "owner", ""))
    alert = house.raise_alert("nose-bearing-hot")
    page = said(anna.get("/what-if?machine=mill-1&check=nose-bearing-hot"))
    assert "Weigh it" in page
    assert "How long it must last" in page
    anna.post("/what-if", data={**ASK, "hold": "5 h", "urgency": "", "enabled": "true"})
    first = house.parts.weighing.last
    assert first is not None
    until(lambda: house.parts.weighing.last.done, 60, "the weighing is done")
    last = house.parts.weighing.last
    assert "" == last.trouble
    assert "nose-bearing-hot of Five-axis mill with hold 5 h, over 7 days" == last.title
    page = said(anna.get("/what-if"))
    assert "1 would not be raised any more" in page
    assert alert.title in page


def test_what_cannot_be_done_is_told_on_the_page(house: House):
    anna = house.client(house.member("anna", "owner", ""))
    anna.post("/what-if", data={**ASK, "hold": "soon"})
    until(lambda: house.parts.weighing.last.done, 60, "the weighing is done")
    page = said(anna.get("/what-if"))
    assert "nose-bearing-hot.hold=soon: give a time such as" in page


def test_a_viewer_looks_but_does_not_weigh(house: House):
    vera = house.client(house.member("vera", "viewer", ""))
    page = said(vera.get("/what-if?machine=mill-1&check=nose-bearing-hot"))
    assert "Weigh it" not in page


def test_only_what_was_changed_is_weighed_and_nothing_runs_for_nothing(house: House):
    anna = house.client(house.member("anna", "owner", ""))
    before = house.parts.weighing.last
    anna.post("/what-if", data={**ASK, "enabled": "true", "urgency": "now"})
    assert before is house.parts.weighing.last

"""Fixtures of the page's tests: a house."""

import pytest

from tests.waiting import until
from tests.web.house import House


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """A running daemon with a page; healthy, with an owner."""
    made = House(tmp_path_factory.mktemp("house")).start()
    made.member("anna", "owner", "")
    made.healthy()
    until(lambda: made.page.live.seen().view.machines[1].duty == "off", 20, "samples were taken")
    yield made
    made.stop()

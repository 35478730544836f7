"""A machine's page tells what was learned of it, and how far learning has come."""

from condmon.engine.records import ModelOn
from condmon.engine.thermal_file import MachineModel
from condmon.engine.thermal_growth import Change, Growth, HeldUntil, WeekGain
from condmon.engine.thermal_trend import DAY_US, Trend, Turn, Wanted
from tests.engine.test_bearing_checks import TRADE
from tests.waiting import until
from tests.web.house import House
from tests.web.test_pages import said

WEEKS = Trend(
    20, 20_500, (WeekGain(20_494, 5, 19.4, 19.1, 19.7),), Growth(0.4, 0.2, 0.6, 19.8, True), 21.0,
    Wanted(24_000.0, 55.0, 3.0), HeldUntil(12.0, 8.0, 25.0, 26.0),
    Turn(20_488 * DAY_US, "hard stop"), Change(0.8, 0.5, 1.1, 9, 9),
)  # fmt: skip


def test_learning_and_what_was_learned_stand_on_the_page(tmp_path):
    house = House(tmp_path).start()
    try:
        client = house.client(house.member("ben"))
        text = said(client.get("/machines/mill-1"))
        assert "odd pattern still learning (0 of 7 days)" in text
        assert "no model yet" in text
        made = MachineModel("mill-1", {"bearing_upper": TRADE}, {"bearing_lower": "only 3.0 h"},
                            0, 1, {}, {"bearing_upper": WEEKS})  # fmt: skip
        record = ModelOn(house.clock.now_us(), "mill-1", "thermal", made.id, made.content())
        house.service.inbox.put_action(record)
        until(lambda: "in the week from" in client.get("/machines/mill-1").text, 20)
        text = said(client.get("/machines/mill-1"))
        assert "its heat was 19.40 K (19.10 to 19.70) at 18,000 /min" in text
        assert "it changes by +0.40 K a week (+0.20 to +0.60)" in text
        assert "since the hard stop of 2026-02-04 its heat changed by +0.80 K" in text
        assert "24,000 /min would no longer stay 3 K under its trip from about 2026-02-28" in text
        assert "no model: only 3.0 h" in text
    finally:
        house.stop()

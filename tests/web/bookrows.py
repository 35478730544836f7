"""A small service book in a house: tasks overdue, due soon and later, components."""

import json

from condmon.engine.records import Filed
from tests.waiting import until
from tests.web.house import House

ROWS = (
    ("mill-1", "task", "hoses", {"title": "Hydraulic hoses", "sort": "inspection",
     "every": {"days": 180}, "used": {"days": 190}, "do": ["Chafing, blisters, wet spots?"],
     "caution": "A jet of oil goes through skin: let the pressure down first.", "photo": True,
     "source": "our own list"}),
    ("mill-1", "task", "strength", {"title": "Coolant concentration", "sort": "inspection",
     "every": {"days": 7}, "lead": {"days": 2}, "used": {"days": 6}, "unit": "%", "low": 5,
     "high": 10}),
    ("mill-1", "task", "filter", {"title": "Oil mist filter", "sort": "inspection",
     "every": {"days": 7}, "lead": {"days": 2}, "used": {"days": 6}, "unit": "mbar", "high": 8}),
    ("mill-1", "task", "wipers", {"title": "Wipers of the ways", "sort": "cleaning",
     "every": {"days": 30}, "used": {"days": 31}}),
    ("mill-1", "task", "grease", {"title": "Grease the magazine", "sort": "service",
     "every": {"hours_turning": 500}}),
    ("", "component", "spindle-a", {"name": "Spindle unit", "serial": "NP-3",
     "used": {"hours_turning": 1200}}),
    ("mill-1", "installed", "spindle-a", {"place": "spindle"}),
    ("", "component", "motor-a", {"name": "Pump motor", "used": {"hours_on": 4100}}),
    ("mill-1", "installed", "motor-a", {"place": "motor"}),
    ("", "component", "pump-a", {"name": "Coolant pump"}),
)  # fmt: skip


def fill_book(house: House) -> None:
    """File the rows and wait until pages can see them."""
    for machine, what, key, content in ROWS:
        text = json.dumps(content)
        entry = house.parts.live.put(
            lambda at_us, row=(machine, what), key=key, text=text: Filed(
                at_us, *row, "kim", key, text
            )
        )
        assert entry is not None
        assert not entry.facts["refused"], entry.text
    until(lambda: "pump-a" in house.parts.shelf.read().book.components.known, 10, "on the shelf")

"""A visit that is planned, one that is going on, and a series with a step, in a house."""

import json

from condmon.engine.records import Filed
from tests.web.house import House

VALUES = (3.1, 2.8, 3.4, 3.0, 2.9, 3.3, 3.1, 2.7, 3.2, 3.0, 9.4)
ROWS = (
    ("visit", "spring", {"title": "Filters in spring", "who": "Kim"}),
    ("visit", "door", {"title": "Door latch", "who": "Robin", "text": "bring the striker"}),
    ("visit_begun", "door", {}),
    ("part", "door", {"name": "door latch and striker", "taken": 1}),
    ("finding", "door", {"text": "striker is worn on one side"}),
    ("series", "runout", {"title": "Runout at the nose", "unit": "um", "tolerance": 5}),
    *(("measured", "runout", {"value": value}) for value in VALUES),
    ("measured", "runout", {"value": 9.1, "when": "before", "visit": "door"}),
)


def fill_visits(house: House) -> None:
    """File the rows; pages can see each as soon as its line is there."""
    for what, key, content in ROWS:
        text = json.dumps(content)
        entry = house.parts.live.put(
            lambda at_us, what=what, key=key, text=text: Filed(
                at_us, "mill-1", what, "kim", key, text
            )
        )
        assert entry is not None
        assert not entry.facts["refused"], entry.text

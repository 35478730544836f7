"""Words: a change is told with its sign, and none has none."""

import pytest

from condmon.engine.words import changed


@pytest.mark.parametrize(
    ("ratio", "told"),
    [
        (1.12, "+12 %"),
        (0.97, "-3 %"),
        (1.0, "0 %"),
        (0.996, "0 %"),
        (1.004, "0 %"),
        (0.994, "-1 %"),
    ],
)
def test_change_is_told_with_its_sign_and_none_without(ratio, told):
    assert changed(ratio) == told

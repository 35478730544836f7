"""A model as text: the same model again, or a reason."""

import json

import pytest

from condmon.engine.thermal import BearingModel
from condmon.engine.thermal_file import MachineModel, ModelError, read_model

BEARING = BearingModel(
    19.0, 18_000.0, 5 / 3, 1200.0, 0.8, 0.1, 0.3, None, 0.0, 0.0,
    ("exponent", "gain_k"), ((1e-4, 0.0), (0.0, 1e-2)),
)  # fmt: skip
MODEL = MachineModel("mill-1", {"upper": BEARING}, {"lower": "too short"}, 1, 2, {"numpy": "2"})


def test_model_is_the_same_after_reading():
    again = read_model(MODEL.content())
    assert MODEL == again
    assert MODEL.id == again.id
    assert MODEL.content() == again.content()


def changed(**parts):
    whole = json.loads(MODEL.content())
    whole["bearings"]["upper"].update(parts)
    del whole["digest"]
    from condmon.engine import thermal_file

    return json.dumps({**whole, "digest": thermal_file._digest(whole)})


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "cannot be read"),
        ("[]", "cannot be read"),
        ("{}", "cannot be read"),
        ('{"model": "odd", "version": 1}', "model odd"),
        (MODEL.content().replace('"version":2', '"version":9'), "version 9"),
        (MODEL.content().replace("19.0", "18.0"), "digest"),
        (MODEL.content()[:-9], "cannot be read"),
        (changed(gain_k=-1), "no sense"),
        (changed(exponent=3.0), "no sense"),
        (changed(covariance=[[1.0]]), "no sense"),
        (changed(covariance=[[1e-4, 0.0], [0.0, -1e-2]]), "no sense"),
        (changed(more=1.0), "parameters are not"),
        ("[" * 100_000, "cannot be read"),
        (" " * 2_000_000, "larger"),
    ],
)
def test_damaged_or_foreign_content_is_refused_with_a_reason(content, words):
    with pytest.raises(ModelError, match=words):
        read_model(content)

"""`condmon replay --learn`: models from the first days judge the days after, none is kept."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.cli import main
from condmon.engine import records as rec
from condmon.engine.records import NO_TIME, SECOND_US, Beacon, ModelOn, Samples
from condmon.errors import UsageError
from condmon.learning.child import Learned
from condmon.learning.cut import between, first_us, parted
from condmon.learning.first import inserted
from tests.engine.heat import history
from tests.shell.test_learn import capture, shop, without_weekends

__all__ = ["shop"]
GOT = Learned("mill-1", "thermal", "abc", "{}", "words")
NONE = Learned("mill-2", "thermal", "", "", "too few days")


def run(first: int, n: int) -> Samples:
    """One sample a second from a second on."""
    return rec.samples(
        [(0, at * SECOND_US, NO_TIME, float(at), 0, 0, 0) for at in range(first, first + n)]
    )


def seconds(batches) -> list[int]:
    """The second of every sample and beacon, -1 for a model."""
    out = []
    for batch in batches:
        for record in batch:
            if isinstance(record, Samples):
                out += (record.arrived_us // SECOND_US).tolist()
            elif isinstance(record, ModelOn):
                out.append(-1)
            else:
                out.append(record.at_us // SECOND_US)
    return out


STREAM = [run(0, 7), Beacon(6 * SECOND_US), run(7, 5), Beacon(12 * SECOND_US), run(13, 4)]


def test_a_batch_parts_at_the_first_record_of_an_instant():
    before, after = parted(STREAM, 9 * SECOND_US)
    assert [*range(7), 6, 7, 8] == seconds([before])
    assert [9, 10, 11, 12, *range(13, 17)] == seconds([after])
    assert (STREAM, ()) == parted(STREAM, 99 * SECOND_US)
    assert [[], seconds([STREAM])] == [seconds([part]) for part in parted(STREAM, 0)]


def test_between_keeps_what_arrived_in_it_and_nothing_else():
    found = seconds(between([STREAM[:2], STREAM[2:]], 3 * SECOND_US, 12 * SECOND_US))
    assert [3, 4, 5, 6, 6, *range(7, 12)] == found
    assert [] == list(between([STREAM], 50 * SECOND_US, 60 * SECOND_US))
    assert first_us([]) is None
    assert 13 * SECOND_US == first_us([rec.samples([]), STREAM[-1]])


@given(st.lists(st.integers(1, 4), min_size=1, max_size=6))
def test_models_stand_at_the_same_place_however_the_stream_is_cut(cuts):
    flat = []
    for record in STREAM:
        single = isinstance(record, Samples)
        flat += [record.cut(i, i + 1) for i in range(len(record))] if single else [record]
    batches, at = [], 0
    while at < len(flat):
        batches.append(flat[at : at + cuts[len(batches) % len(cuts)]])
        at += len(batches[-1])
    asked = []
    found = list(inserted(iter(batches), 9 * SECOND_US, lambda *span: asked.append(span) or [GOT]))
    assert [(0, 9 * SECOND_US)] == asked
    assert [*range(7), 6, 7, 8, -1, 9, 10, 11, 12, *range(13, 17)] == seconds(found)


def test_a_refused_model_is_not_put_on():
    found = list(inserted(iter([STREAM]), 9 * SECOND_US, lambda *_: [NONE, GOT]))
    models = [r for batch in found for r in batch if isinstance(r, ModelOn)]
    assert [("mill-1", "thermal", "abc", 9 * SECOND_US)] == [
        (m.machine, m.model, m.id, m.at_us) for m in models
    ]


def test_files_shorter_than_the_span_are_told():
    with pytest.raises(UsageError, match="nothing was left to judge"):
        list(inserted(iter([STREAM]), 60 * SECOND_US, lambda *_: [GOT]))


@pytest.mark.parametrize("text", ["ten days", "10", "5 min", ""])
def test_no_span_is_told(shop, tmp_path, capsys, text):
    (tmp_path / "day.csv").write_text("time,machine,signal,value\n0,mill-1,power,1\n")
    assert 2 == main(["replay", str(tmp_path / "day.csv"), "-c", str(shop), "--learn", text])
    assert "is no span" in capsys.readouterr().err


def test_days_after_the_learned_ones_are_judged_by_the_model(shop, tmp_path, capsys):
    """Three days of work give the model; on the fourth the bearing makes far more heat."""
    h = history(4, 4, growth=lambda day: 0.8 * (day >= 3), gaps=0, plan=without_weekends)
    days = capture(tmp_path / "days.csv", h)
    args = ["replay", str(days), "-c", str(shop), "--learn", "3 d", "--json", "--entries"]
    assert 0 == main(args)
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    (learned,) = [row for row in rows if row["kind"] == "learned"]
    assert "lag 20 min" in learned["words"]
    on = [r for r in rows if r["kind"] == "entry" and "takes effect" in r["text"]]
    assert [learned["id"]] == [r["text"].split()[2] for r in on]
    (hot,) = [r for r in rows if r["kind"] == "alert" and r["check"] == "bearing-hot"]
    (text,) = [r["text"] for r in rows if r["kind"] == "message" and hot["id"] in r["alerts"]]
    assert "speed and surroundings explain" in text
    assert [] == list((tmp_path / "store").iterdir())


def test_a_person_is_told_what_was_learned_before_the_alerts(shop, tmp_path, capsys):
    day = capture(tmp_path / "day.csv", history(1, 1, gaps=0))
    assert 0 == main(["replay", str(day), "-c", str(shop), "--learn", "12 h"])
    assert "mill-1: heat of Five-axis mill: bearing upper: no model: " in capsys.readouterr().err

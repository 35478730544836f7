"""`condmon replay` with a span, a pace, another configuration, a report; out of the store."""

import json

import pytest

from condmon import capture
from condmon.capture import Notes
from condmon.clock import rfc3339
from condmon.commands.replay import replay
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Beacon, Samples
from condmon.replaying.compare import Pair, Raised, Said, pairs, rows
from condmon.replaying.course import CELLS, Courses
from condmon.replaying.paced import paced, within
from condmon.replaying.told import oldest
from tests.shell.test_replay import AT_US, run, shop

__all__ = ["shop"]
OTHER = """
[adjust.air-while-off]
hold = "12 min"
urgency = "note"
"""


def other(shop, text: str = OTHER):
    path = shop / "other.toml"
    path.write_text((shop / "condmon.toml").read_text().replace("[[check]]", text + "[[check]]"))
    return path


def alert(began_s: float, ended_s: float | None, check: str = "hot", **more: object) -> Raised:
    given = {"machine": "mill-1", "signals": ("temp",), "urgency": "today", "title": "hot", **more}
    ended_us = None if ended_s is None else round(ended_s * 1e6)
    raised_us = round((began_s + float(given.pop("hold", 60))) * 1e6)
    return Raised(check=check, began_us=round(began_s * 1e6), raised_us=raised_us,
                  ended_us=ended_us, **given)  # fmt: skip


def test_only_what_arrived_in_the_span_is_replayed(shop, capsys):
    _, rows, _ = run(shop, capsys, shop / "day.jsonl.zst", "--json", "--from", "2025-11-24 07:10",
                     "--to", "2025-11-24 07:12")  # fmt: skip
    assert 36 == rows[-1]["samples"]
    code, _, told = run(shop, capsys, shop / "day.jsonl.zst", "--day", "2025-11-24", "--to", "x")
    assert (2, True) == (code, "give either --day" in told)


def test_a_span_cuts_a_run_with_its_words_in_place(shop):
    settings = load(shop / "condmon.toml").settings
    batches = list(capture.read([shop / "day.jsonl.zst"], settings, Notes()))
    tail = list(within(batches, (AT_US + 1790 * SECOND_US, AT_US + 1800 * SECOND_US)))
    runs = [record for batch in tail for record in batch if isinstance(record, Samples)]
    assert 4 == sum(map(len, runs))
    assert [(len(runs[-1]) - 1, b"rubbish")] == list(runs[-1].raw)


def test_pace_changes_no_output_and_waits_as_long_as_life_asks(shop):
    settings = load(shop / "condmon.toml").settings
    now_s = [0.0]
    given: list[tuple[float, int]] = []

    def pieces():
        source = capture.read([shop / "day.jsonl.zst"], settings, Notes())
        for piece in paced(source, 60, lambda: now_s[0], wait):
            given.append((now_s[0], oldest(piece[0])))
            yield piece

    def wait(seconds):
        now_s[0] += seconds

    slow = replay(pieces(), Engine(settings))
    fast = replay(capture.read([shop / "day.jsonl.zst"], settings, Notes()), Engine(settings))
    assert fast == slow
    assert 1790 / 60 == pytest.approx(now_s[0], abs=0.3)
    assert all(at_us <= AT_US + (at_s + 0.3) * 60 * SECOND_US for at_s, at_us in given)


def test_pace_cuts_an_hour_of_a_capture_into_steps_with_the_same_outputs(shop, tmp_path):
    settings = load(shop / "condmon.toml").settings
    path = tmp_path / "day.csv"
    lines = ["time,machine,signal,value"]
    for at_s in range(0, 7200, 10):
        when = rfc3339(AT_US + at_s * SECOND_US)
        lines += [f"{when},mill-1,power,{int(at_s < 300)}", f"{when},mill-1,air_flow,38"]
    path.write_text("\n".join(lines) + "\n")
    whole = list(capture.read([path], settings, Notes()))
    pieces = list(paced(whole, 600, lambda: 0.0 if not waited else 1e9, waited.append))
    assert len(pieces) > 10 * len(whole)
    assert max(sum(len(r) for r in p if isinstance(r, Samples)) for p in pieces) <= 2 * 16
    assert replay(whole, Engine(settings)) == replay(pieces, Engine(settings))


waited: list[float] = []


def test_a_paced_replay_tells_things_as_they_happen(shop, capsys):
    _, rows, _ = run(shop, capsys, shop / "day.jsonl.zst", "--json", "--speed", "100000",
                     "--entries")  # fmt: skip
    assert "summary" == rows[-1]["kind"]
    air = [row for row in rows if row["kind"] == "alert" and row["check"] == "air-while-off"]
    assert [None, "2025-11-24T06:25:00Z"] == [row["ended"] for row in air]
    between = rows[rows.index(air[0]) : rows.index(air[1])]
    assert {"entry", "message"} <= {row["kind"] for row in between}
    code, _, told = run(shop, capsys, shop / "day.jsonl.zst", "--speed", "0")
    assert (2, True) == (code, "--speed 0" in told)


def test_another_configuration_is_told_by_what_would_be_different(shop, capsys):
    code, found, _ = run(shop, capsys, shop / "day.jsonl.zst", "--against", other(shop), "--json")
    assert 0 == code
    [later] = [row for row in found if row["kind"] == "difference"]
    assert ("later_there", "air-while-off", 120) == (
        later["what"], later["check"], later["later_s"])  # fmt: skip
    assert ("today", "note") == (later["urgency_here"], later["urgency_there"])
    total = found[-2]
    assert ("comparison", 1, 1) == (total["kind"], total["same"], total["later_there"])
    assert (2, 1) == (total["here"]["messages"], total["there"]["messages"])
    assert 2 * 7 == total["here"]["messages_a_week"]  # half an hour counts as a day


def test_the_comparison_for_people(shop, capsys):
    path = other(shop, "[adjust.air-while-off]\nenabled = false\n")
    _, page, _ = run(shop, capsys, shop / "day.jsonl.zst", "--against", path)
    assert "Alerts only with condmon.toml: 1\n  2025-11-24 07:15:00  mill-1  air-while-off" in page
    assert "The same with both: 1." in page
    _, page, _ = run(shop, capsys, shop / "day.jsonl.zst", "--against", shop / "condmon.toml")
    assert page.startswith("No difference: the same alerts at the same times.")


def test_alerts_answer_one_another_where_they_overlap_and_share_a_signal():
    here = [alert(0, 100), alert(1000, 1100), alert(5000, None), alert(0, 50, "cold")]
    there = [alert(10, 90), alert(1200, 1300), alert(4000, 6000), alert(0, 50, "cold", hold=30),
             alert(0, 100, signals=("other",))]  # fmt: skip
    found = [pair.what for pair in pairs(here, there)]
    assert sorted(["later_there", "only_here", "only_there", "earlier_there", "earlier_there",
                   "only_there"]) == sorted(found)  # fmt: skip
    assert "other_urgency" == Pair(alert(0, 9), alert(0, 9, urgency="note")).what
    assert "same" == Pair(alert(0, 9), alert(0, 700)).what


def test_two_alerts_of_one_check_are_matched_with_the_nearest_onset():
    here, there = [alert(0, 1000), alert(900, 2000)], [alert(890, 2000), alert(5, 1000)]
    assert [5.0, -10.0] == [row["later_s"] for row in rows(Said(tuple(here), 0, 0, 1),
                            Said(tuple(there), 0, 0, 1))[:-1]]  # fmt: skip


def test_the_report_holds_alerts_charts_and_nothing_from_elsewhere(shop, capsys):
    path = shop / "out.html"
    text = (shop / "condmon.toml").read_text()
    (shop / "condmon.toml").write_text(text.replace("way oil low", "way oil <b>low</b>"))
    code, _, told = run(shop, capsys, shop / "day.jsonl.zst", "--report", path, "--against",
                        other(shop))  # fmt: skip
    assert (0, True) == (code, "the report is in" in told)
    page = path.read_text()
    for part in ("Five-axis mill: air flows although the machine is off", "way oil &lt;b&gt;low",
                 "Look at this first", "Compared", "Later with other.toml",
                 'class="band alert"', "<h2>Vertical mill"):  # fmt: skip
        assert part in page
    for part in ("http", "<script", "url(", "@import", "src=", "<b>low"):
        assert part not in page
    assert 3 == page.count("every signal") + 1
    code, _, told = run(shop, capsys, shop / "day.jsonl.zst", "--report", path)
    assert (2, True) == (code, "is already there" in told)


def test_courses_keep_every_peak_while_their_cells_grow_wider(shop):
    settings = load(shop / "condmon.toml").settings
    courses = Courses(settings)
    batches = capture.read([shop / "day.jsonl.zst"], settings, Notes())
    for output in replay(batches, Engine(settings, judged=True)):
        if hasattr(output, "samples"):
            courses.add(output)
            newest = output
    assert 10 * SECOND_US == courses.step_us
    strip = courses.strip(2, AT_US, AT_US + 1800 * SECOND_US)
    assert (180, 50.0, 12.0) == (len(strip.low), strip.high[0], strip.low[-1])
    late = type(newest)(newest.at_us + 3 * CELLS * courses.step_us, newest.samples)
    courses.add(late)
    assert 40 * SECOND_US == courses.step_us
    strip = courses.strip(2, AT_US, AT_US + 1800 * SECOND_US)
    assert (50.0, 12.0) == (max(strip.high), min(strip.low))
    assert strip.from_us <= AT_US < strip.from_us + strip.step_us


def test_words_that_do_not_go_together_are_refused(shop, capsys):
    day = shop / "day.jsonl.zst"
    for words, why in (
        ((), "name a file"),
        (("--compare-live",), "say which day"),
        ((day, "--compare-live", "--day", "2025-11-24"), "looks at the store alone"),
        (("--day", "2025-11-24", "--learn", "10 d"), "name them"),
        ((day, "--report", shop / "no" / "out.html"), "no such folder"),
        ((day, "--against", shop / "none.toml"), "none.toml"),
    ):
        code, _, told = run(shop, capsys, *words)
        assert 2 == code
        assert why in told
        assert "Traceback" not in told


def test_beacons_of_a_span_stay_inside_it(shop):
    settings = load(shop / "condmon.toml").settings
    span = (AT_US + 100 * SECOND_US, AT_US + 200 * SECOND_US)
    kept = within(capture.read([shop / "day.jsonl.zst"], settings, Notes()), span)
    times = [r.at_us for batch in kept for r in batch if isinstance(r, Beacon)]
    assert times
    assert span[0] <= min(times) <= max(times) < span[1]


def test_rows_are_json(shop):
    found = rows(Said((alert(0, 1),), 1, 1, 7 * 86400 * SECOND_US), Said((), 0, 1, 1))
    assert "only_here" == json.loads(json.dumps(found[0]))["what"]
    assert 1.0 == found[1]["here"]["messages_a_week"]

"""The cases: real-world faults as input, with the outcome a careful engineer would accept."""

import re
from typing import Any

import pytest

from condmon.clock import parse_rfc3339, rfc3339
from condmon.engine.outputs import Judged
from condmon.engine.records import GOOD, HISTORICAL, QUALITIES, SECOND_US, Samples
from tests.cases import runner

CASES = sorted(path.stem for path in (runner.HERE / "input").glob("*.jsonl"))
REMIND = '[plan.today]\nremind_after = ["15 min", "1 h"]'
EXTRA = {"O07-chatter-and-ack": REMIND}

LIVED = {  # what befalls the box and not the stream: the tests that live through it with real parts
    "O01-link-loss": (
        "test_mqtt.py::test_frozen_broker_is_noticed_within_three_keepalives",
        "test_mqtt.py::test_broker_restart_is_told_and_subscriptions_are_made_again",
        "test_mqtt.py::test_messages_sent_while_away_and_over_a_broker_restart_arrive",
        "test_mqtt.py::test_thread_that_hangs_is_replaced_and_its_late_message_is_not_acknowledged",
        "test_box_troubles.py::test_a_frozen_broker_is_noticed_in_two_keepalives_and_told_once_and"
        "_nothing_is_lost",
        "test_box_troubles.py::test_a_broker_that_has_lost_our_session_is_told_as_a_hole_and_all"
        "_filters_are_heard_again",
        "test_box_troubles.py::test_a_link_that_flaps_is_one_alert_and_not_one_a_drop",
        "test_ownhealth_lived.py::test_figure_is_told_while_it_is_bad_and_silent_while_it_is_well",
        "test_life.py::test_part_that_hangs_is_an_alert_that_ends_when_it_goes_on",
    ),
    "O02-disk-full-readonly": (
        "test_operations.py::test_with_a_full_disk_it_goes_on_judging_tells_people_and_writes_all"
        "_when_there_is_room",
        "test_operations.py::test_a_disk_that_can_only_be_read_is_told_at_the_start_in_words",
        "test_spool.py::test_memory_that_is_full_drops_the_oldest_and_a_gap_tells_how_much",
        "test_service.py::test_short_disk_is_told_once",
        "test_box_troubles.py::test_a_card_that_turns_read_only_is_told_from_memory_and_nothing_is"
        "_lost_over_its_exchange",
        "test_box_troubles.py::test_a_log_disk_that_is_full_stops_neither_the_watch_nor_the_word"
        "_of_it",
    ),
    "O03-power-cut": (
        "test_recorder.py::test_a_damaged_file_is_set_aside_named_and_the_rest_goes_on",
        "test_recorder.py::test_an_empty_file_left_by_a_power_cut_is_used",
        "test_journal.py::test_damaged_journal_is_set_aside_and_a_new_one_begins",
        "test_journal.py::test_rebuilt_journal_does_not_send_again_what_was_sent",
        "test_box_troubles.py::test_acknowledged_alert_stays_so_over_a_power_cut_that_tears_the"
        "_file_and_is_not_told_again",
        "test_kill.py::test_killed_at_random_nothing_is_lost_and_alerts_are_those_of_one_run",
    ),
    "O04-store-down-hours": (
        "test_influx_outage.py::test_server_away_for_hours_and_in_every_mood_gets_everything_once"
        "_and_people_hear_once",
    ),
    "O08-two-daemons": (
        "test_daemon.py::test_second_daemon_on_the_folder_is_refused_with_the_pid_before_it"
        "_connects",
        "test_operations.py::test_two_daemons_with_one_name_notice_it_say_so_and_give_way",
    ),
    "O10-expired-credentials": (
        "test_credentials_daemon.py::test_a_certificate_that_ends_is_told_before_in_words_after"
        "_and_a_new_one_is_taken_up",
        "test_credentials_daemon.py::test_a_certificate_whose_time_has_not_come_is_told_in_words"
        "_and_taken_when_it_has",
        "test_credentials_daemon.py::test_a_password_that_was_changed_is_told_tried_slowly_and_the"
        "_new_one_is_taken_from_the_file",
        "test_mqtt_secrets.py::test_tls_certificates_are_judged_in_words",
        "test_mqtt_secrets.py::test_wrong_password_is_told_in_words_and_a_new_one_is_read_from"
        "_the_file",
    ),
    "O11-soak-topics-logs": (
        "test_log.py::test_memory_for_repeats_is_bounded",
        "test_log.py::test_repeated_trouble_is_told_once_then_counted",
        "test_mqtt.py::test_full_inbox_stops_reading_and_nothing_is_lost",
        "test_box_flood.py::test_topics_without_end_and_payloads_that_are_none_cost_no_memory_and"
        "_little_log",
        "test_service.py::test_messages_that_make_no_record_are_acknowledged_too_and_what_follows"
        "_is_heard",
    ),
    "O13-service-clock-jumps": (
        "test_service.py::test_clock_put_forward_is_followed_and_told_once",
        "test_service.py::test_clock_put_back_is_told_and_own_time_goes_on",
        "test_standing.py::test_record_of_a_clock_that_was_ten_years_ahead_is_left_behind",
        "test_jobs.py::test_chore_that_is_hours_late_runs_once",
        "test_box_time.py::test_wall_clock_that_jumps_loses_no_sample_makes_no_alert_and_is_told"
        "_once_a_jump",
        "test_timeserver.py::test_clock_that_is_set_is_well_and_one_that_is_set_no_more_counts_from"
        "_the_first_no",
    ),
}
OUTSIDE = {"O02-disk-full-readonly", "O04-store-down-hours", "O10-expired-credentials"}
"""Their messages come of the box itself; the stream is healthy, and the engine has to be silent."""


@pytest.mark.parametrize("case", [case for case in CASES if case not in OUTSIDE])
def test_case_sends_no_more_and_no_fewer_messages_than_it_may(case, tmp_path):
    expect = runner.expectation(case)
    result = runner.run(case, tmp_path, EXTRA.get(case, ""))
    told = [f"{m.kind} {m.title}" for m in result.messages]
    assert expect["alerts_min"] <= len(told) <= expect["alerts_max"], told


@pytest.mark.parametrize("case", sorted(OUTSIDE))
def test_stream_of_a_case_whose_fault_lies_outside_of_it_raises_nothing(case, tmp_path):
    assert [] == runner.run(case, tmp_path).messages
    assert 1 <= runner.expectation(case)["alerts_min"]
    assert case in LIVED


@pytest.mark.parametrize("case", LIVED)
def test_case_is_lived_through_by_tests_that_there_are(case):
    assert case in CASES
    for place in LIVED[case]:
        file, _, name = place.partition("::")
        text = (runner.HERE.parent / "shell" / file).read_text()
        assert f"\ndef {name}(" in text, place


OWN_TEST = {"P05-nested-arrays", "P13-sparkplug"}  # several signals a line
QUIET = [case for case in CASES if runner.expectation(case)["alerts_max"] == 0]


def test_cases_whose_right_answer_is_silence_stay_silent(tmp_path, capsys):
    silent = [c for c in QUIET if not runner.run(c, tmp_path, EXTRA.get(c, "")).messages]
    with capsys.disabled():
        print(f"\n  of {len(QUIET)} cases whose right answer is silence {len(silent)} stay silent")
    assert QUIET == silent


VALUED = [case for case in CASES if runner.expectation(case)["values"] and case not in OWN_TEST]


@pytest.mark.parametrize("case", VALUED)
def test_case_lines_become_the_values_and_qualities_listed(case, tmp_path):
    result = runner.run(case, tmp_path)
    wrong = []
    for want in runner.expectation(case)["values"]:
        got = [s for judged in result.by_line[want["line"] - 1] for s in _rows(judged.samples)]
        if not _fits(want, got):
            wrong.append((want, got))
    assert not wrong


def test_sparkplug_case_is_decoded_metric_by_metric_and_nothing_is_guessed(tmp_path):
    result = runner.run("P13-sparkplug", tmp_path)
    names = ("temp", "offset", "air", "level")  # as METRICS of the shop, in its order
    none = (None, "nodata")
    listed = [  # line by line
        [],
        [("temp", (38.5, "good")), ("offset", (-5.0, "good")), ("air", (1.0, "good")),
         ("level", none)],
        [("temp", (38.75, "good")), ("offset", (-6.0, "good"))],
        [("temp", (39.0, "good"))],
        [("temp", (58.0, "good"))],
        [],
        [("temp", none)],
        [(name, none) for name in names],
    ]  # fmt: skip
    assert listed == [_named(judged, names) for judged in result.by_line]
    [old] = result.by_line[4]
    assert ("2025-11-24T05:50:00Z", HISTORICAL) == (
        rfc3339(int(old.at_us[0])),
        int(old.samples.mark[0]) & HISTORICAL,
    )
    told = [entry.text for entry in result.entries("gap")]
    assert [True, True] == ["2 messages" in told[0], "no birth message explains" in told[1]]
    assert ["gap"] * 2 == [entry.kind for entry in result.entries("gap")]


def _named(judged: list[Judged], names: tuple[str, ...]) -> list[tuple[str, Any]]:
    return [
        (names[signal], row)
        for one in judged
        for signal, row in zip(one.samples.signal.tolist(), _rows(one.samples), strict=True)
    ]


WAYS = {1: "deep", 2: "packed", 3: "each", 4: "named", 5: "plain", 6: "plain", 7: "plain"}


@pytest.mark.parametrize("line", WAYS)
def test_nested_payload_is_read_by_the_places_of_its_mapping(line):
    case = "P05-nested-arrays"
    [want] = [one for one in runner.expectation(case)["values"] if one["line"] == line]
    got = runner.mapped(case, line, WAYS[line])
    values = want["value"] if isinstance(want["value"], list) else [want["value"]]
    qualities = want["quality"].split(",")
    if len(qualities) == 1:
        qualities *= len(values)
    assert list(zip(values, qualities, strict=True)) == _rows(got)


def test_packed_array_lies_at_its_own_ten_instants():
    got = runner.mapped("P05-nested-arrays", 2, "packed")
    t0 = parse_rfc3339("2025-11-24T06:00:10Z")
    assert [t0 + n * SECOND_US for n in range(10)] == got.own_us.tolist()


def test_condition_words_are_one_alert_with_its_text_and_one_word_on_the_source(tmp_path):
    result = runner.run("P14-condition-words", tmp_path)
    [alert] = result.alerts.values()
    assert ("control-alarm", "LUBE PRESSURE LOW|CHECK TANK", "LUB1", 4, True) == (
        alert.check.split("/")[0],
        alert.facts["text"],
        alert.facts["code"],
        alert.facts["reports"],
        alert.ended_us is not None,
    )
    texts = [entry.text for entry in result.entries("control")]
    assert 1 == sum("source is unstable" in text for text in texts)
    assert 1 == sum("LUBE PRESSURE LOW|CHECK TANK" in text for text in texts)
    assert any("FEED_HOLD" in entry.text for entry in result.entries("sensor"))


def _rows(samples: Samples) -> list[tuple[float | None, str]]:
    return [
        (v if q == GOOD else None, QUALITIES[q])
        for v, q in zip(samples.value.tolist(), samples.quality.tolist(), strict=True)
    ]


def _fits(want: dict[str, Any], got: list[tuple[float | None, str]]) -> bool:
    """Whether what came of a line is among what the expectation allows."""
    allowed = set(re.findall(r"good|suspect|bad|nodata|unconfigured", want["quality"]))
    if "unconfigured" in allowed:
        return not got
    if len(got) != 1:
        return False
    value, quality = got[0]
    text = str(want["value"])
    if value is None:
        able = want["value"] is None or "null" in text or "delta" in text or "arrival" in text
        return able and (quality in allowed or "null" in text)
    if "delta" in text:
        return True  # raw values; the steps are tested in tests/engine/test_counters.py
    number = re.match(r"-?\d+(\.\d+)?", text)
    return number is not None and abs(float(number[0]) - value) < 1e-9 and "good" in allowed

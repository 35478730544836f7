"""The log: one JSON object a line, and trouble that repeats is counted."""

import io
import logging
from pathlib import Path

import orjson
import pytest
import structlog

from condmon import log
from tests.fakes import FakeClock


@pytest.fixture(autouse=True)
def default_log():
    yield
    structlog.reset_defaults()


def lines(stream: io.BytesIO) -> list[dict[str, object]]:
    return [orjson.loads(line) for line in stream.getvalue().splitlines()]


def test_a_line_is_a_json_object_with_time_level_module_and_facts():
    stream = io.BytesIO()
    log.set_up(stream)
    log.get("mqtt").warning("no connection", reason="cut", tries=3, error=ValueError("bad"))
    [line] = lines(stream)
    assert str(line.pop("at")).endswith("Z")
    assert {"event": "no connection", "level": "warning", "module": "mqtt", "reason": "cut",
            "tries": 3, "error": "ValueError: bad"} == line  # fmt: skip


def test_facts_of_any_type_never_stop_a_line():
    stream = io.BytesIO()
    log.set_up(stream)
    log.get("x").info("odd", thing=object(), big=2**70, raw=b"\xff", text="\ud800", map={1: 2})
    assert 1 == len(stream.getvalue().splitlines())


def test_log_disk_that_is_full_does_not_stop_the_caller():
    with Path("/dev/full").open("wb", buffering=0) as full:
        log.set_up(full)
        log.get("x").error("nobody hears")


def test_lower_levels_are_left_out():
    stream = io.BytesIO()
    log.set_up(stream, logging.WARNING)
    log.get("x").info("quiet")
    assert b"" == stream.getvalue()


def test_repeated_trouble_is_told_once_then_counted():
    clock = FakeClock()
    with structlog.testing.capture_logs() as told:
        repeats = log.Repeats(log.get("x"), clock.monotonic_s)
        for _ in range(50):
            repeats.tell("error", "disk full", free_mb=3)
        assert [{"event": "disk full", "free_mb": 3}] == [
            {key: line[key] for key in ("event", "free_mb")} for line in told
        ]
        clock.pass_s(61)
        repeats.tell("error", "disk full", free_mb=2)
        assert 50 == told[-1]["times_more"]
        clock.pass_s(61)
        repeats.tell("error", "disk full", free_mb=2)
        assert 2 == len(told)
        clock.pass_s(600)
        repeats.tell("error", "disk full", free_mb=2)
        assert 3 == len(told)


def test_trouble_that_ended_is_told_at_once_when_it_comes_back():
    with structlog.testing.capture_logs() as told:
        repeats = log.Repeats(log.get("x"), FakeClock().monotonic_s)
        repeats.tell("error", "disk full")
        repeats.over("disk full")
        repeats.tell("error", "disk full")
        repeats.tell("error", "disk full", "another key")
    assert 3 == len(told)


def test_memory_for_repeats_is_bounded():
    with structlog.testing.capture_logs():
        repeats = log.Repeats(log.get("x"), FakeClock().monotonic_s)
        for n in range(5000):
            repeats.tell("error", "strange", str(n))
    assert len(repeats._seen) <= 1000

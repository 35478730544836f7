"""A replay out of the store against what the daemon said: equal, or where the two part."""

import json

import pytest

from condmon.cli import main
from condmon.clock import SiteCalendar
from condmon.config import load
from condmon.delivery.plandue import test_message as a_test_message
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine, Settings
from condmon.history.seal import seal
from condmon.history.store import states_of
from condmon.replaying.live import compare
from condmon.replaying.stored import stored
from condmon.replaying.told import replay
from condmon.spans import ALL
from condmon.store import daystart
from condmon.store.journal import Journal
from tests.daemons import MILL
from tests.recorded import DAY_US, MONDAY_US, SIGNALS, Folder
from tests.shops import Shop, shop

__all__ = ["shop"]


def lived(shop: Shop) -> None:
    """Two alerts, a clean restart and a kill in between."""
    service = shop.service()
    shop.live(service, 5, 40.0)
    shop.live(service, 8, 60.0)
    shop.leave(service)
    service = shop.service()
    shop.live(service, 8, 40.0)
    shop.abandon(service)
    service = shop.service()
    shop.live(service, 8, 70.0)
    shop.leave(service)


def day(shop: Shop) -> tuple[int, int]:
    start_us = shop.clock.now_us() // DAY_US * DAY_US
    return start_us, start_us + DAY_US


def run(shop: Shop, capsys, *words: str):
    capsys.readouterr()  # the log of the daemon
    code = main(["replay", "-c", str(shop.folder / "condmon.toml"), *words])
    return code, capsys.readouterr().out


def test_the_replay_of_a_day_says_what_was_said_live(shop, capsys):
    lived(shop)
    code, out = run(shop, capsys, "--compare-live", "--day", "2025-11-25", "--json")
    row = json.loads(out)
    assert (0, True, 2, "") == (code, row["equal"], row["alerts"], row["cold"])
    assert row["entries"] > 8
    code, out = run(shop, capsys, "--compare-live", "--day", "2025-11-25")
    assert (0, True) == (code, "the replay says the same" in out)


def test_the_first_thing_in_which_the_two_part_is_named(shop, capsys):
    lived(shop)
    journal = Journal(shop.store)
    [first, second] = [a for a in journal.alerts() if a.machine == "mill-1"]
    journal._db.execute("UPDATE alert SET body = replace(body, 'Bearing hot', 'Bearing cold')"
                        " WHERE id = ?", (second.id,))  # fmt: skip
    journal._db.execute("DELETE FROM alert WHERE id = ?", (first.id,))
    journal.close()
    code, out = run(shop, capsys, "--compare-live", "--day", "2025-11-25")
    assert 1 == code
    assert "differs in 2 of them" in out
    assert "  live:     (nothing)\n  replayed: now bearing-over-limit: Bearing hot" in out


def test_a_start_of_the_day_lets_a_later_day_be_compared_though_the_days_before_are_gone(shop):
    lived(shop)
    service = shop.service()
    shop.clock.pass_s(86_400)
    shop.live(service, 3, 70.0)
    service.standing.keep_snapshot()
    shop.live(service, 3, 70.0)
    shop.live(service, 9, 40.0)
    shop.live(service, 9, 60.0)
    shop.leave(service)
    config = load(shop.folder / "condmon.toml")
    kept = daystart.starts(shop.store)
    assert 2 == len(kept)
    next(iter(sorted(shop.store.glob("stream-*.db")))).unlink()
    after_us = kept[1].at_us + SECOND_US
    found = compare(config, (after_us, after_us + 1000 * SECOND_US))
    assert ([], "", 1) == (found.parts, found.cold, found.alerts)
    [path] = sorted((shop.store / "starts").glob("*.start"))[1:]
    path.write_bytes(path.read_bytes()[:-1])  # a damaged one is no use, and no trouble
    found = compare(config, (after_us, after_us + 1000 * SECOND_US))
    assert "knew less of the past" in found.cold


WAYS = """
[[send.webhook]]
name = "ola"
url = "http://127.0.0.1:9/"
[[send.webhook]]
name = "kari"
url = "http://127.0.0.1:9/"
[plan.now]
ways = ["ola"]
"""


def told_by(shop: Shop, sql: str = "", *values: object):
    """What the comparison says after something was done to what was told live."""
    if sql:
        journal = Journal(shop.store)
        journal._db.execute(sql, values)
        journal.close()
    return compare(load(shop.folder / "condmon.toml"), day(shop))


def test_messages_and_the_ways_they_took_are_those_of_the_plan(shop):
    shop.configure(MILL + WAYS)
    lived(shop)
    found = told_by(shop)
    assert ([], 2) == (found.parts, found.messages)
    assert "what became of the 2 deliveries is of that day alone: 2 " in found.notes[0]


@pytest.mark.parametrize(
    ("sql", "live", "replayed"),
    [
        ("UPDATE message SET body = replace(body, 'the oil', 'the sea')", "the sea", "the oil"),
        ("UPDATE delivery SET route = 'kari'", "raised by kari", "raised by ola"),
        ("DELETE FROM delivery", "raised by no way", "raised by ola"),
    ],
)
def test_a_message_told_otherwise_than_the_plan_would_is_named(shop, sql, live, replayed):
    shop.configure(MILL + WAYS)
    lived(shop)
    found = told_by(shop, sql)
    assert ["message of mill-1"] * 2 == [part.what for part in found.parts]
    assert (True, True) == (live in found.parts[0].live, replayed in found.parts[0].replayed)
    assert "the ways are those of the present [plan]" in found.notes[-1]


def test_a_message_that_nobody_was_to_get_live_is_named(shop):
    shop.configure(MILL + WAYS)
    lived(shop)
    told_by(shop, "DELETE FROM delivery")
    [first, second] = told_by(shop, "DELETE FROM message").parts
    assert ("", True) == (first.live, second.replayed.startswith("now raised by ola: "))


def test_the_next_way_of_a_plan_is_a_matter_of_that_day(shop):
    shop.configure(MILL + WAYS + 'next_ways = ["kari"]\n')
    lived(shop)
    more = (
        "INSERT INTO delivery(key, message, route, thread, rank, state, born_us, due_us)"
        " SELECT message || ':kari', message, 'kari', thread, rank, 'failed', born_us, due_us"
        " FROM delivery WHERE route = 'ola'"
    )
    assert [] == told_by(shop, more).parts


def test_what_the_daemon_made_from_the_journal_is_counted_and_the_reason_told(shop, capsys):
    lived(shop)
    mine = a_test_message(day(shop)[0] + 7 * 3600 * SECOND_US)
    journal = Journal(shop.store)
    journal.write([mine], journal.offset(), [], shop.clock.now_us())
    journal.close()
    code, out = run(shop, capsys, "--compare-live", "--day", "2025-11-25")
    assert (0, True) == (code, "and 2 messages were told live; the replay says the same" in out)
    assert "Note: 1 messages that the daemon made from the journal and the clock" in out


def test_another_configuration_parts_at_its_first_difference(shop):
    lived(shop)
    shop.configure(MILL.replace("bearing > 50", "bearing > 65"))
    config = load(shop.folder / "condmon.toml")
    found = compare(config, day(shop))
    assert found.parts
    assert "now bearing-over-limit" in found.parts[0].live
    assert "" == found.parts[0].replayed
    assert "another configuration" in found.cold


def test_without_recordings_there_is_nothing_to_compare(shop, capsys):
    lived(shop)
    for path in shop.store.glob("stream-*.db"):
        path.unlink()
    code = main(["replay", "-c", str(shop.folder / "condmon.toml"), "--compare-live",
                 "--day", "2025-11-25"])  # fmt: skip
    assert 1 == code
    assert "no recordings are left here" in capsys.readouterr().err


def test_a_time_that_the_daemon_recorded_is_replayed_without_naming_a_file(shop, capsys):
    lived(shop)
    code, out = run(shop, capsys, "--day", "2025-11-25", "--json", "--machine", "mill-1")
    rows = [json.loads(line) for line in out.splitlines()]
    assert 0 == code
    assert ["alert", "alert"] == [row["kind"] for row in rows][:2]
    assert 58 == rows[-1]["samples"]


def test_sealed_days_and_recordings_give_the_samples_once_and_in_order(tmp_path):
    folder = Folder(tmp_path)
    for place in range(3):
        folder.day(MONDAY_US + place * DAY_US, every_s=3600)
    folder.begin_day(MONDAY_US + 3 * DAY_US)
    settings = _settings()
    before = replay(stored(tmp_path, settings, ALL), Engine(settings, judged=True))
    list(seal(tmp_path, states_of(settings.signals)))
    for path in sorted(tmp_path.glob("stream-*.db"))[:2]:
        path.unlink()
    after = replay(stored(tmp_path, settings, ALL), Engine(settings, judged=True))
    assert _values(before) == _values(after)
    assert 3 * 3 * 24 == len(_values(after))


def _settings():
    mills = (Machine("mill-1", "M1", SIGNALS[:2]), Machine("mill-2", "M2", SIGNALS[2:]))
    return Settings("x", SiteCalendar("UTC"), mills)


def _values(outputs):
    found = []
    for output in outputs:
        if hasattr(output, "samples"):
            run = output.samples
            found += zip(output.at_us.tolist(), run.signal.tolist(), run.value.tolist(),
                         strict=True)  # fmt: skip
    return sorted(found)

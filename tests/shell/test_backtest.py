"""`condmon backtest`: the same results on one process, two, or a cluster; nothing is lost."""

import json
import multiprocessing
import os
import signal
import warnings
from pathlib import Path

import pytest

from condmon.capture import write_recording
from condmon.cli import main
from condmon.config import load
from condmon.engine.records import SECOND_US
from condmon.replaying import cluster, processes
from condmon.replaying.days import Day, Under, files, work
from tests.shell.test_replay import CONFIG, messages

DAYS = 4
OTHER = '[adjust.air-while-off]\nhold = "12 min"\n[[check]]'


@pytest.fixture(scope="module")
def days(tmp_path_factory):
    """A folder of short days, each a day after the last, and two configurations."""
    folder = tmp_path_factory.mktemp("days")
    (folder / "a.toml").write_text(CONFIG)
    (folder / "b.toml").write_text(CONFIG.replace("[[check]]", OTHER))
    (folder / "recorded").mkdir()
    rows = list(messages())
    for day in range(DAYS):
        later = [one._replace(arrived_us=one.arrived_us + day * 86_400 * SECOND_US) for one in rows]
        write_recording(folder / "recorded" / f"{day}.jsonl.zst", later)
    return folder


@pytest.fixture(scope="module")
def under(days):
    return Under(tuple(load(days / name).settings for name in ("a.toml", "b.toml")), 65536)


@pytest.fixture(scope="module")
def alone(days, under):
    """What each day gives in this very process."""
    return [work(path, under) for path in files([days / "recorded"])]


def run(days, capsys, *words: object):
    code = main(["backtest", "-c", str(days / "a.toml"), *map(str, words)])
    told = capsys.readouterr()
    return code, told.out, told.err


def in_order(found):
    found = dict(found)
    return [found[place] for place in range(len(found))]


def dies_with_3(path: Path, under: Under) -> Day:
    """A worker that a certain file kills each time; module level, for it goes to a process."""
    if path.name.startswith("3"):
        os.kill(os.getpid(), signal.SIGKILL)
    return work(path, under)


def test_two_processes_give_what_one_gives_and_a_killed_one_takes_nothing_with_it(
    days, under, alone
):
    paths = files([days / "recorded"]) * 2
    found, killed = [], 0
    for place, day in processes.each(paths, under, 2):
        found.append((place, day))
        if not killed:
            [victim, *_] = multiprocessing.active_children()
            killed = victim.pid
            os.kill(killed, signal.SIGKILL)
    assert killed
    assert len(paths) == len(found)
    assert alone * 2 == in_order(found)


@pytest.mark.long
def test_a_day_that_kills_each_process_is_named_and_the_others_are_counted(days, under, alone):
    paths = files([days / "recorded"])[2:5]
    found = in_order(processes.each(paths, under, 2, dies_with_3))
    assert [alone[2], alone[4]] == [found[0], found[2]]
    assert processes.DIED == found[1].why


def test_differences_and_totals_are_told_over_all_days(days, capsys):
    code, out, _ = run(days, capsys, days / "recorded", "--against", days / "b.toml", "--json",
                       "--workers", "1")  # fmt: skip
    rows = [json.loads(line) for line in out.splitlines()]
    assert 0 == code
    later = [row for row in rows if row["kind"] == "difference"]
    assert [120.0] * DAYS == [row["later_s"] for row in later]
    assert sorted({row["file"] for row in later}) == [row["file"] for row in later]
    total = rows[-1]
    assert (DAYS, 0, 541 * DAYS) == (total["days"], total["failed"], total["records"])
    assert {"later_there": DAYS, "same": DAYS} == total["differences"]
    assert [2 * DAYS, 2 * DAYS] == [side["alerts"] for side in total["sides"]]


def test_days_that_cannot_be_read_are_named_and_the_others_counted(days, capsys, tmp_path):
    (tmp_path / "empty.jsonl").touch()
    (tmp_path / "odd.csv").write_text("a,b\n1,2\n")
    code, out, told = run(days, capsys, tmp_path, days / "recorded" / "0.jsonl.zst",
                          "--workers", "1")  # fmt: skip
    assert 1 == code
    assert "3 files, 0.0 days of them, 541 records" in out
    assert "2 could not be judged" in out
    assert "empty.jsonl: not counted" in told
    assert "neither a recording" in told


def test_wrong_words_are_refused(days, capsys, tmp_path):
    for words, code, why in (
        ((tmp_path,), 2, "there is no recording and no capture"),
        ((days / "recorded", "--workers", "0"), 2, "--workers 0"),
        ((days / "recorded", "--machine", "mill-7"), 2, "no such machine"),
        ((days / "recorded", "--workers", "2", "--scheduler", "tcp://x"), 2, "has its own"),
    ):
        found, _, told = run(days, capsys, *words)
        assert code == found
        assert why in told


def test_a_real_cluster_of_two_workers_gives_the_same_though_one_is_killed(days, under, alone):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, about ports and threads
        from distributed import LocalCluster

        paths = files([days / "recorded"]) * 2
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None,
                          host="127.0.0.1") as local:  # fmt: skip
            found, killed = [], False
            for place, day in cluster.each(paths, under, local.scheduler_address):
                found.append((place, day))
                if not killed:
                    killed = True
                    os.kill(next(iter(local.workers.values())).process.pid, signal.SIGKILL)
        assert alone * 2 == in_order(found)


def test_a_scheduler_that_is_not_there_is_told_in_words(days, capsys, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT", "1s")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        code, _, told = run(days, capsys, days / "recorded", "--scheduler", "tcp://127.0.0.1:9")
    assert 1 == code
    assert "no scheduler answers at tcp://127.0.0.1:9" in told
    assert "Traceback" not in told

"""`condmon whatif`: other figures over what was recorded, and a changed file before it counts."""

import itertools
import json
import subprocess
import sys

import pytest

from condmon.cli import main
from condmon.config import load
from condmon.engine.records import SECOND_US, Beacon, ModelOn, Samples
from condmon.engine.settings import Adjust
from condmon.errors import UsageError
from condmon.history.seal import seal
from condmon.history.store import states_of
from condmon.replaying.whatif import changed, weighed
from condmon.spans import ALL
from condmon.store.inforce import NAME, in_force, keep
from tests.recorded import DAY_US, MONDAY_US
from tests.shell.test_replay import CONFIG

DAYS = 3


@pytest.fixture(autouse=True)
def as_fast_as_others(monkeypatch):
    """The command gives way to everything else; this process has other tests to run."""
    monkeypatch.setattr("condmon.commands.whatif.NICE", 0)


def run(shop, capsys, *words: object):
    code = main(["whatif", "-c", str(shop / "condmon.toml"), *map(str, words)])
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """Three recorded days: the air stays on for 40 min each evening; two days are sealed."""
    folder = tmp_path_factory.mktemp("whatif")
    (folder / "condmon.toml").write_text(CONFIG)
    config = load(folder / "condmon.toml")
    record(config, folder / "store")
    list(seal(folder / "store", states_of(config.settings.signals)))
    for path in sorted((folder / "store").glob("stream-*.db"))[:1]:
        path.unlink()
    keep(config)
    return folder


def record(config, store):
    from condmon.engine.records import NO_TIME, samples
    from condmon.store.recorder import Recorder

    now_us = [MONDAY_US]
    recorder = Recorder(store, config.settings.signals, lambda: now_us[0])
    for day, minute in itertools.product(range(DAYS), range(0, 1440, 5)):
        now_us[0] = at_us = MONDAY_US + day * DAY_US + minute * 60 * SECOND_US
        on, air = minute < 1080, 38.0 if minute < 1120 else 0.1
        rows = [(0, at_us, NO_TIME, float(on), 0, 0, 0), (1, at_us + 1, NO_TIME, air, 0, 0, 0),
                (2, at_us + 2, NO_TIME, 50.0, 0, 0, 0)]  # fmt: skip
        recorder.append([samples(rows), Beacon(at_us + 3)])
    now_us[0] = MONDAY_US + DAYS * DAY_US
    recorder.append([Beacon(now_us[0])])
    recorder.close()


def test_other_figures_are_told_by_what_would_be_different(shop, capsys):
    code, out, _ = run(shop, capsys, "--set", 'air-while-off.hold="20 min"', "--set",
                       "air-while-off.urgency=note", "--json")  # fmt: skip
    rows = [json.loads(line) for line in out.splitlines()]
    assert 0 == code
    assert [600.0] * DAYS == [row["later_s"] for row in rows[:-1]]
    assert {("today", "note")} == {(r["urgency_here"], r["urgency_there"]) for r in rows[:-1]}
    assert (DAYS, DAYS) == (rows[-1]["here"]["alerts"], rows[-1]["there"]["alerts"])
    assert 7.0 == pytest.approx(rows[-1]["here"]["messages_a_week"], rel=0.02)


def test_it_gives_way_to_the_watch(shop):
    code = (
        "import os, sys; from condmon.cli import main; before = os.nice(0);"
        "main(['whatif', '-c', sys.argv[1], '--set', 'air-while-off.enabled=false', '--day',"
        " '2025-11-25', '--json']); print(before, os.nice(0))"
    )
    words = [sys.executable, "-c", code, str(shop / "condmon.toml")]
    out = subprocess.run(words, check=True, timeout=60, capture_output=True, text=True).stdout
    before, now = map(int, out.splitlines()[-1].split())
    assert now == min(19, before + 15)


def test_the_page_for_people_and_how_far_it_is(shop, capsys):
    code, out, _ = run(shop, capsys, "--set", "air-while-off.enabled=false", "--days", "36500")
    assert (2, "") == (code, out)
    code, out, _ = run(shop, capsys, "--set", "air-while-off.enabled=false", "--day", "2025-11-25")
    assert "Alerts only with condmon.toml: 1" in out
    code, out, _ = run(shop, capsys, "--set", "air-while-off.enabled=false", "--json",
                       "--progress")  # fmt: skip
    assert "progress" == json.loads(out.splitlines()[0])["kind"]


def test_a_changed_file_is_held_against_the_one_the_daemon_runs_with(shop, capsys):
    path = shop / "condmon.toml"
    try:
        code, _, told = run(shop, capsys)
        assert (2, True) == (code, "is what the daemon runs with" in told)
        path.write_text(CONFIG.replace("oil_level < 20", "oil_level < 60"))
        code, out, _ = run(shop, capsys)
        assert 0 == code
        assert "Alerts only with condmon.toml: 1" in out
        assert "what the daemon runs with: 3 alerts" in out
        main(["check", "-c", str(path)])
        out = capsys.readouterr().out
        assert "the daemon runs with another content of this file" in out
        assert f"condmon whatif -c {path}" in out
    finally:
        path.write_text(CONFIG)


def test_the_configuration_in_force_is_kept_whole_and_a_broken_one_is_none(tmp_path):
    path = tmp_path / "condmon.toml"
    path.write_text(CONFIG)
    config = load(path)
    assert in_force(config) is None
    (tmp_path / "store").mkdir()
    path.write_text(CONFIG + "# edited since\n")
    keep(config)  # what was read is not there any more
    assert in_force(config) is None
    path.write_text(CONFIG)
    keep(config)
    keep(config)
    again = in_force(config)
    assert again is not None
    assert config.settings.digest == again.settings.digest
    (tmp_path / "store" / NAME).write_text("[site")
    assert in_force(config) is None


def test_a_configuration_with_other_signals_is_weighed_too(shop, capsys, tmp_path):
    new = tmp_path / "new.toml"
    text = CONFIG[: CONFIG.index('[[machine]]\nid = "mill-2"')]
    new.write_text(text.replace('"store"', f'"{shop / "store"}"'))
    code, out, _ = run(shop, capsys, "--with", new, "--json")
    assert 0 == code
    assert 3 == json.loads(out.splitlines()[-1])["same"]


def test_wishes_change_one_machine_or_all_and_only_what_they_name(shop):
    settings = load(shop / "condmon.toml").settings
    new = changed(settings, ["air-while-off.flow_min=4", "air-while-off.hold=5 min"], "mill-1")
    assert (
        Adjust(hold_s=300.0, figures={"flow_min": 4.0}) == new.machines[0].adjust["air-while-off"]
    )
    assert {} == new.machines[1].adjust
    new = changed(settings, ["oil-low.hold=5 min", "oil-low.deadband=2"])
    assert [(("mill-2",), 300.0, 2.0)] == [(c.machines, c.hold_s, c.deadband) for c in new.checks]
    assert () == changed(settings, ["oil-low.enabled=false"]).checks


@pytest.mark.parametrize(
    ("wish", "why"),
    [
        ("air-while-off", "write CHECK.KEY=VALUE"),
        ("air-while-of.hold=1 s", 'no check "air-while-of"; did you mean "air-while-off"'),
        ("air-while-off.holt=1 s", 'no holt; did you mean "hold"'),
        ("air-while-off.hold=soon", "give a time such as"),
        ("air-while-off.urgency=loud", "give one of"),
        ("air-while-off.enabled=no", "give true or false"),
        ("air-while-off.flow_min=nan", "give a number"),
        ("oil-low.flow_min=1", "oil-low has no flow_min"),
    ],
)
def test_a_wish_that_cannot_be_done_says_what_can(shop, wish, why):
    with pytest.raises(UsageError, match=why):
        changed(load(shop / "condmon.toml").settings, [wish])


def test_models_of_today_are_on_from_the_first_record(shop):
    settings = load(shop / "condmon.toml").settings
    from condmon.replaying.whatif import _with_models

    model = ModelOn(0, "mill-1", "thermal", "x", "{}")
    batches = list(_with_models([[Beacon(5)], [Beacon(6)]], [model]))
    assert [[Beacon(5), ModelOn(5, "mill-1", "thermal", "x", "{}")], [Beacon(6)]] == batches
    said = weighed(shop / "store", [settings], ALL, [model], lambda *_: None)
    assert DAYS == len(said[0].alerts)


def test_nothing_recorded_is_told(tmp_path, capsys):
    (tmp_path / "condmon.toml").write_text(CONFIG)
    (tmp_path / "store").mkdir()
    code, _, told = run(tmp_path, capsys, "--set", "air-while-off.enabled=false")
    assert (1, True) == (code, "nothing was recorded here" in told)
    code, _, told = run(tmp_path, capsys)
    assert (2, True) == (code, "say what would be different" in told)


def test_sealed_days_are_what_was_weighed(shop):
    from condmon.replaying.stored import stored

    settings = load(shop / "condmon.toml").settings
    found = [r for b in stored(shop / "store", settings, ALL) for r in b if isinstance(r, Samples)]
    assert DAYS * 288 * 3 == sum(map(len, found))
    assert MONDAY_US == int(found[0].arrived_us[0])

"""What a configuration file becomes, and what is refused beyond the slips of O09."""

import re
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from condmon.commands.check import findings
from condmon.config import Broker, Config, Email, Store, Webhook, load
from condmon.config.keys import KEYS
from condmon.engine.engine import Engine
from condmon.engine.roles import ROLES
from condmon.engine.settings import Adjust, OwnCheck, Payload, Plan
from condmon.errors import ConfigError
from tests.bent import SEEDS, bent_bytes
from tests.generated import generated

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "deploy" / "condmon.toml"
SITE = '[site]\nname = "North Pier Optics"\ntimezone = "Europe/Oslo"\n'
MACHINE = '[[machine]]\nid = "mill-1"\n'
MILL = SITE + MACHINE
POWER = '[machine.signal.power]\ntopic = "pier/power"\nrole = "power"\n'
SPEED = '[machine.signal.spindle_speed]\ntopic = "pier/speed"\nrole = "spindle_speed"\n'


@pytest.fixture
def read(tmp_path: Path):
    """Load a text as a configuration."""

    def made(text: str) -> Config:
        (tmp_path / "condmon.toml").write_text(text, encoding="utf-8")
        return load(tmp_path / "condmon.toml")

    return made


@pytest.fixture
def told(read):
    """All problems of a text, without the name of the file."""

    def made(text: str) -> list[str]:
        with pytest.raises(ConfigError) as caught:
            read(text)
        return [row.split("condmon.toml:", 1)[1] for row in caught.value.problems]

    return made


def signal(read, keys: str, more: str = ""):
    """The first signal of a machine, from its keys."""
    return read(f"{MILL}[machine.signal.one]\n{keys}\n{more}").settings.signals[0]


# what comes out


def test_a_role_brings_its_defaults(read):
    one = signal(read, 'topic = "a/b"\nrole = "bearing_temperature"')
    assert ("measure", "Cel", (-10, 120), 8, 600) == (
        one.kind, one.unit, one.range, one.step_max, one.stale_after_s,
    )  # fmt: skip
    assert Payload() == one.payload
    door = signal(read, 'topic = "a/b"\nrole = "door_closed"')
    assert ("state", None, 0.2) == (door.kind, door.stale_after_s, door.debounce_s)
    assert "closed" in door.words_on
    assert "open" in door.words_off


def test_each_default_of_a_role_can_be_overridden(read):
    one = signal(
        read,
        'topic = "a/b"\nrole = "bearing_temperature"\nrange = [0, 90]\nstep_max = 3\n'
        'stale_after = "1.5 min"\ntrip = 55\nplace = "upper"\ntitle = "nose bearing"',
    )
    assert ((0, 90), 3, 90, 55) == (one.range, one.step_max, one.stale_after_s, one.trip)
    assert ("upper", "nose bearing") == (one.place, one.label())


def test_the_figures_of_a_role_follow_the_unit(read):
    one = signal(read, 'topic = "a/b"\nrole = "bearing_temperature"\nunit = "[degF]"\ntrip = 131')
    assert pytest.approx((14, 248)) == one.range  # -10 and 120 degrees Celsius
    assert pytest.approx(14.4) == one.step_max  # a step of 8 K
    level = read(f'{MILL}[machine.signal.one]\ntopic = "a"\nrole = "coolant_level"\nunit = "L"\n')
    assert level.settings.signals[0].range is None
    assert "plausible" in level.warnings[0]


def test_never_switches_staleness_off(read):
    assert (
        signal(read, 'topic = "a"\nrole = "air_flow"\nstale_after = "never"').stale_after_s is None
    )


def test_words_of_the_shop_replace_those_of_the_role(read):
    one = signal(
        read, 'topic = "a"\nrole = "cycle_running"\nwords = { on = ["ACTIVE", 1], off = ["Hold"] }'
    )
    assert (("active", "1"), ("hold",)) == (one.words_on, one.words_off)
    half = signal(read, 'topic = "a"\nrole = "cycle_running"\nwords = { off = ["FEED_HOLD"] }')
    assert ("feed_hold",) == half.words_off
    assert ROLES["cycle_running"].words_on == half.words_on


def test_places_in_a_payload(read):
    one = signal(
        read,
        'topic = "a"\nrole = "axis_load"\neach = "/s"\nwhere = ["/n", "x"]\nvalue = ""\n'
        'time = "/t"\ndecimal_comma = true\nform = "json"\ndt = "/step"',
    )
    assert Payload("json", "", "/t", "/s", ("/n", "x"), "/step", None, True) == one.payload
    two = signal(read, 'topic = "a"\nrole = "axis_trace"\ndt = "4 ms"')
    assert (None, 0.004) == (two.payload.dt, two.payload.dt_s)


def test_signals_are_numbered_through_all_machines(read):
    text = MILL + POWER + SPEED + '[[machine]]\nid = "mill-2"\n' + SPEED.replace("pier", "quay")
    config = read(text)
    assert [(0, "mill-1"), (1, "mill-1"), (2, "mill-2")] == [
        (one.index, one.machine) for one in config.settings.signals
    ]
    assert "mill-2" == config.settings.machines[1].name


def test_what_is_left_out_has_its_stated_default(read):
    config = read(MILL + POWER)
    assert (
        Broker("127.0.0.1", 1883, False, None, None, None, None, None, "condmon-north-pier-opti")
        == config.broker
    )
    assert Store(Path("/var/lib/condmon"), 0, 200) == config.store
    assert ((), ()) == (config.webhooks, config.emails)
    assert ((), 420, frozenset(range(5)), 2) == (
        config.settings.unattended, config.settings.digest_minute, config.settings.digest_days,
        config.settings.lateness_s,
    )  # fmt: skip
    assert {"now": Plan(), "today": Plan(), "note": Plan()} == (config.settings.plans)
    assert re.fullmatch("[0-9a-f]{12}", config.settings.digest)
    assert config.settings.digest != read(MILL + POWER + "# other\n").settings.digest


def test_unattended_hours_and_digest(read):
    keys = (
        'unattended = ["Mon-Fri 20:00-06:00", "Sat-Sun 00:00-24:00"]\n'
        'digest = "06:30"\ndigest_days = ["Mon", "Wed-Thu"]\nlateness = "500 ms"\n'
    )
    found = read(SITE + keys + MACHINE).settings
    nights = [(day * 1440 + 1200, (day + 1) * 1440 + 360) for day in range(5)]
    assert (*nights, (5 * 1440, 6 * 1440), (6 * 1440, 7 * 1440)) == found.unattended
    assert (390, frozenset({0, 2, 3}), 0.5) == (
        found.digest_minute, found.digest_days, found.lateness_s,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Sun 20:00-06:00", ((6 * 1440 + 1200, 360),)),  # wraps into Monday
        ("Fri 22:00-Mon 05:00", ((4 * 1440 + 1320, 300),)),
        ("Fri 22:00 - Sun 24:00", ((4 * 1440 + 1320, 7 * 1440),)),
        ("Sat-Mon 12:00-13:00", ((720, 780), (5 * 1440 + 720, 5 * 1440 + 780),
                                 (6 * 1440 + 720, 6 * 1440 + 780))),
        ("12:00-12:30", tuple((day * 1440 + 720, day * 1440 + 750) for day in range(7))),
    ],
)  # fmt: skip
def test_spans_of_the_week(read, text, wanted):
    assert wanted == read(f'{SITE}unattended = ["{text}"]\n{MACHINE}').settings.unattended


def test_checks_on_condmon_itself_are_adjusted_for_the_site_and_not_on_machines(read):
    config = read(MILL + POWER + '[adjust.condmon-link]\nhold = "20 min"\nurgency = "today"\n')
    assert {"condmon-link": Adjust(True, 1200, None, "today")} == config.settings.own_adjust
    assert {} == config.settings.machines[0].adjust
    assert not [words for words in config.warnings if "condmon" in words]
    off = read(MILL + POWER + "[adjust.condmon-link]\nenabled = false\n")
    assert any("a quiet phone then proves nothing" in words for words in off.warnings)


def test_adjustments_of_a_machine_lie_over_those_of_the_site(read):
    text = (
        MILL + POWER + '[machine.adjust.air-while-off]\nhold = "5 min"\nflow_min = 3\n'
        '[adjust.air-while-off]\nhold = "9 min"\nurgency = "note"\n'
        "[adjust.door-latch]\nenabled = false\n"
    )
    adjust = read(text).settings.machines[0].adjust
    assert Adjust(True, 300, None, "note", {"flow_min": 3}) == adjust["air-while-off"]
    assert Adjust(enabled=False) == adjust["door-latch"]


def test_a_machine_can_switch_on_what_the_site_switched_off(read):
    text = (
        MILL + POWER + "[machine.adjust.door-latch]\nenabled = true\n"
        "[adjust.door-latch]\nenabled = false\n"
    )
    assert read(text).settings.machines[0].adjust["door-latch"].enabled


def test_a_check_of_the_shop(read):
    keys = (
        '[[check]]\nid = "off-and-turning"\nmachines = ["mill-*"]\n'
        'when = """\nspindle_speed > 50\n  and not power"""\nhold = "60 s"\nrelease = "30 s"\n'
        'deadband = 5\nurgency = "now"\ntitle = "t"\nwhy = "w"\nlook_first = ["a", "b"]\n'
        'caution = "c"\n'
    )
    wanted = OwnCheck(
        "off-and-turning", ("mill-*",), "spindle_speed > 50 and not power", 60, 30, 5, "now",
        "t", "w", ("a", "b"), "c",
    )  # fmt: skip
    assert (wanted,) == read(MILL + POWER + SPEED + keys).settings.checks


def test_duty_keeps_the_order_of_the_file(read):
    duty = '[machine.duty]\nwarming = "spindle_speed > 50 and not power"\noff = "not power"\n'
    machine = read(MILL + duty + POWER + SPEED).settings.machines[0]
    assert ["warming", "off"] == [name for name, _ in machine.duty]


def test_every_way_out(read, tmp_path: Path):
    for name in ("broker.password", "gate.secret", "mail.password", "own.key"):
        (tmp_path / name).write_text("secret")
        (tmp_path / name).chmod(0o600)
    for name in ("own.pem", "ca.pem"):
        (tmp_path / name).write_text("certificate")
    config = read(
        MILL + POWER + '[broker]\nurl = "mqtts://broker.pier.example"\nusername = "condmon"\n'
        'password_file = "broker.password"\nca_file = "ca.pem"\ncert_file = "own.pem"\n'
        'key_file = "own.key"\nclient_id = "pier"\nkeepalive = "1 min"\nsession_expiry = "2 d"\n'
        'receive_maximum = 100\npayload_bytes_max = 1000\nalso = ["pier/#", "+/x"]\n'
        '[store]\npath = "kept"\nkeep_raw = "2 d"\ndisk_min_mb = 50\n'
        '[[send.webhook]]\nurl = "https://gate.pier.example/c"\nsecret_file = "gate.secret"\n'
        'urgencies = ["now"]\ntimeout = "5 s"\n'
        '[[send.email]]\nname = "owner"\nhost = "mail.pier.example"\nsecurity = "tls"\n'
        'username = "c"\npassword_file = "mail.password"\nsender = "c@pier.example"\n'
        'to = ["owner@pier.example"]\n'
    )
    assert config.broker == Broker(
        "broker.pier.example", 8883, True, tmp_path / "ca.pem", tmp_path / "own.pem",
        tmp_path / "own.key", "condmon", tmp_path / "broker.password", "pier", 60, 172800, 100,
        1000, ("pier/#", "+/x"),
    )  # fmt: skip
    assert Store(tmp_path / "kept", 172800, 50) == config.store
    url = "https://gate.pier.example/c"
    assert (Webhook("webhook-1", url, tmp_path / "gate.secret", ("now",), 5),) == config.webhooks
    assert config.emails == (
        Email("owner", "mail.pier.example", 465, "tls", "c", tmp_path / "mail.password",
              "c@pier.example", ("owner@pier.example",), ("now", "today", "note"), 20),
    )  # fmt: skip


# the example file


def test_the_example_file_is_good_and_without_warnings():
    config = load(EXAMPLE)
    assert () == config.warnings
    assert 2 == len(config.settings.machines)


def test_every_section_stands_in_the_example_file():
    sections = re.findall(r"\n(?:# )?\[+(\w+)", EXAMPLE.read_text())
    assert set(KEYS[""]) == {*sections, "format"}
    assert "\nformat = 1" in EXAMPLE.read_text()


@pytest.mark.parametrize("form", [form for form in KEYS if form])
def test_every_key_stands_in_the_example_file(form: str):
    """Each key as `key =` below its section, or as a section; after `# ` where it is left out."""
    text = EXAMPLE.read_text()
    header = form.replace("NAME", r"\w+").replace("CHECK", r"[\w-]+").replace("URGENCY", r"\w+")
    header = re.sub(r"\.words$", "", header)
    blocks = [
        block
        for block in re.split(r"\n(?=(?:# )?\[)", text)
        if re.match(rf"(?:# )?\[\[?(?:machine\.)?{header}\]", block)
    ]
    subsections = re.findall(rf"\n(?:# )?\[+{re.escape(form)}\.(\w+)", text)
    for key in KEYS[form]:
        stands = rf"(?:\n(?:# )?|[{{,] ){key} ="
        assert key in subsections or any(re.search(stands, block) for block in blocks), key


def test_every_role_is_named_in_the_example_file():
    words = set(re.findall(r"\w+", EXAMPLE.read_text()))
    assert set(ROLES) <= words


# anything at all

FRAGMENTS = st.sampled_from(
    [line + "\n" for line in EXAMPLE.read_text().splitlines() if line.strip()]
    + ["[[machine]]\n", "x = [\n", '"""', "'''", "{", "}", "]", "[", "=", "\\", "\x00", "nan"]
    + ["9" * 5000, "[a.b.c]\n", "a.b = 1\n"]
)


ROWS = [row.removeprefix("# ") for row in EXAMPLE.read_text().splitlines()]
SET = [n for n, row in enumerate(ROWS) if re.match(r"\w+ = ", row)]
VALUES = [
    "1", "-1", "0.5", "1e300", "inf", "nan", "true", "[]", "[1]", "[[]]", "[{}]", "{}",
     "{ a = 1 }",
     "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", "''", "' '", "'x'", "'/'", "'5 s'", "'1:1'",
     "['x']", "['Mon-Sun 00:00-24:00']", "['*']", "'mqtt://['", "'mqtts://x:1'", "'a@b'", "'.'",
     "'power'", "'power and'", "'not ' * 9", "[[1, 2]]", "[2, 1]", "'\\u0000'", '"\\u0000"',
     "9" * 400
]  # fmt: skip
ODD = st.sampled_from(VALUES)


BLOCKS = [n for n, row in enumerate(ROWS) if row.startswith("[")]


def swapped(seed: int) -> bytes:
    """Some sections of the example, commented keys and all, with other values at some places."""
    rng, rows = Random(seed), list(ROWS)
    for place in rng.sample(SET, rng.randrange(3, 30)):
        rows[place] = f"{rows[place].split('=')[0]}= {rng.choice(VALUES)}"
    for begin, end in pairwise([*BLOCKS, len(rows)]):
        if rng.random() < 0.6:
            rows[begin:end] = [""] * (end - begin)
    text = "\n".join(rows)
    return re.sub(r"(?m)^(?!\[|\w+ =|$).*$", "", text).encode()


@generated(usual=400, per_mille=40)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.lists(FRAGMENTS, max_size=25).map(lambda rows: "".join(rows).encode()),
        SEEDS.map(swapped),
        SEEDS.map(swapped),
        bent_bytes(*(swapped(n) for n in range(20))),
    )
)
def test_any_bytes_are_a_configuration_or_told_in_words(tmp_path: Path, content: bytes):
    file = tmp_path / "any.toml"
    file.write_bytes(content)
    try:
        config = load(file)
    except ConfigError as error:
        rows = error.problems
    else:
        assert isinstance(config, Config)
        rows = list(config.warnings) or [str(file)]
    assert rows
    assert all(row.startswith(str(file)) and row.isprintable() for row in rows)


PLAIN = EXAMPLE.read_text().splitlines()
PLAIN_SET = [n for n, row in enumerate(PLAIN) if re.match(r"\w+ = ", row)]


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(place=st.sampled_from(PLAIN_SET), value=ODD)
def test_what_is_accepted_can_be_run(tmp_path: Path, place: int, value: str):
    """A file that loads also makes an engine and a summary: nothing is found out only later."""
    rows = list(PLAIN)
    rows[place] = f"{rows[place].split('=')[0]}= {value}"
    file = tmp_path / "any.toml"
    file.write_text("\n".join(rows))
    try:
        config = load(file)
    except ConfigError:
        return
    assert "summary" == list(findings(config))[-1]["kind"]
    assert 0 == Engine(config.settings).now_us


def test_a_file_too_large_to_be_one_is_told(read):
    with pytest.raises(ConfigError, match="larger than 1000000 bytes"):
        read("#" * 1_000_001)


@pytest.mark.parametrize("text", ["[" * 5000, "a = " + "[" * 5000, "a = " + "{a=" * 3000])
def test_deep_nesting_is_told(told, text):
    assert told(text)

"""condmon survey: what it proposes for a shop, how sure it is, and what it writes."""

import base64
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory

import paho.mqtt.client as paho
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from condmon.capture.files import open_file
from condmon.capture.recording import lines, parse, write_recording
from condmon.config import Config, load
from condmon.engine.decode import Arrived
from condmon.plant.signals import MILLS, sensors
from condmon.surveying.draft import draft
from condmon.surveying.heard import TOPICS_MAX, Heard
from condmon.surveying.machinery import found
from condmon.surveying.words import split
from tests import surveyshop
from tests.brokers import QUEUES, Mosquitto, free_port
from tests.cases.runner import lines as case_lines
from tests.cases.shop import SIGNALS
from tests.engine.test_decode_any import BODIES

ROOT = Path(__file__).resolve().parents[2]
DAYS = sorted((ROOT / "replay" / "days").glob("*.jsonl.zst"))
TOPICS = st.one_of(
    st.sampled_from(["m1/door", "mill-2/spindle/speed", "spBv1.0/a/DBIRTH/b/c", "a/b/c"]),
    st.text(min_size=1, max_size=12),
)
BROKER = 'url = "mqtt://127.0.0.1:1883"\n'
Right = Mapping[tuple[str, str], str]
Row = tuple[str, str, str, str, str]  # topic, place, right role, proposed role, how sure


@cache
def unlike() -> list[Arrived]:
    """What the shop with unlike names sends in two hours."""
    return list(surveyshop.messages(2.0))


def rows(messages: Iterable[Arrived], right: Right) -> tuple[list[Row], str]:
    """What is proposed for each source whose right role is known, and the draft."""
    heard = Heard()
    for message in messages:
        heard.hear(message)
    proposed = found(heard)
    out = []
    for guesses in proposed.machines.values():
        for made in guesses:
            place = made.source.place
            key = (made.source.topic, place.where[1] if place.where else place.value or "")
            if key not in right and (key[0], "") in right:
                key = (key[0], "")  # a topic that holds one value
            if key in right:
                out.append((*key, right[key], made.role or "", made.sure))
    return out, draft(heard, proposed, BROKER)


def judge(found_rows: list[Row], title: str, share_min: float = 0.8) -> None:
    """Print the table, and hold the share of right roles and the sure ones against the promise."""
    print(f"\n{title}")
    for topic, place, right, proposed, sure in sorted(found_rows):
        mark = (
            "" if proposed == right else "  <- wrong" if sure in {"sure", "likely"} else "  (asks)"
        )
        print(f"  {topic} {place:20} {right or '-':27} {proposed or '-':27} {sure or '-'}{mark}")
    with_role = [row for row in found_rows if row[2]]
    good = [row for row in with_role if row[3] == row[2] and row[4] in {"sure", "likely"}]
    share = len(good) / len(with_role)
    print(f"  right: {len(good)} of {len(with_role)} signals with a role ({share:.0%})")
    assert share_min <= share
    assert [] == [row for row in found_rows if row[4] == "sure" and row[3] != row[2]]


def messages_of(day: Path) -> Iterator[Arrived]:
    for _, line in lines(open_file(day)):
        message = parse(line)
        assert isinstance(message, Arrived)
        yield message


def loaded(text: str, folder: Path) -> Config:
    path = folder / "draft.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def plant_roles() -> dict[tuple[str, str], str]:
    return {(sensor.topic, ""): sensor.role for mill in MILLS for sensor in sensors(mill)}


def survey(*words: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "condmon", "survey", *words],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout, done.stderr


def publish(mosquitto: Mosquitto, messages: Iterable[Arrived]) -> None:
    """Hand messages to the broker as kept ones, so that whoever comes later hears the last."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    sent = [client.publish(m.topic, m.payload, qos=1, retain=True) for m in messages]
    for one in sent:
        one.wait_for_publish(30)
    client.disconnect()
    client.loop_stop()


@pytest.mark.parametrize("day", DAYS, ids=lambda day: day.name.split(".")[0])
def test_recorded_day_gives_a_draft_that_check_accepts_with_the_right_roles(day: Path, tmp_path):
    table, text = rows(islice(messages_of(day), 30_000), plant_roles())
    judge(table, f"survey of {day.name}")
    config = loaded(text, tmp_path)
    assert ["mill-1", "mill-2"] == [machine.id for machine in config.settings.machines]
    assert () == config.warnings


def test_unlike_names_units_in_names_and_one_big_document_are_understood(tmp_path):
    table, text = rows(unlike(), surveyshop.truth())
    judge(table, "survey of a shop with unlike names")
    config = loaded(text, tmp_path)
    assert {"cnc-1", "vmc-2"} == {machine.id for machine in config.settings.machines}
    signals = {(s.machine, s.name): s for s in config.settings.signals}
    hydraulic = signals["cnc-1", "hyd_press"]
    assert ("bar", "MPa") == (hydraulic.unit, hydraulic.payload.sent_unit)
    upper = signals["cnc-1", "spindle_bearing_temp_upper"]
    assert ("upper", "[degF]") == (upper.place, upper.payload.sent_unit)
    door = signals["cnc-1", "door_open"]
    assert "true" in door.words_off
    lag = signals["vmc-2", "axes_axis_x_lag"]
    assert ("/samples", ("/name", "axis.x.lag"), "x") == (
        lag.payload.each, lag.payload.where, lag.axis
    )  # fmt: skip


CASES = sorted(
    path.stem for path in (ROOT / "tests" / "cases" / "input").glob("*.jsonl")
    if any("topic" in line for line in case_lines(path.stem))
)  # fmt: skip


def test_topics_of_the_cases_get_the_right_role_and_no_wrong_one_is_sure(tmp_path):
    right = {(topic, ""): _role(text) for topic, (_, text) in SIGNALS.items()}
    table: set[Row] = set()
    for case in CASES:
        out, text = rows(_case_messages(case), right)
        loaded(text, tmp_path)
        if case[0] in "MS":  # the others send what is meant to confuse
            table |= set(out)
    judge(sorted(table), "survey of the cases' shop")


def _role(text: str) -> str:
    return text.split('role = "')[1].split('"')[0] if "role = " in text else ""


def _case_messages(case: str) -> Iterable[Arrived]:
    for line in case_lines(case):
        if "topic" in line:
            at_s = line["at"] if isinstance(line["at"], int | float) else 0
            content = line.get("payload_b64")
            payload = base64.b64decode(content) if content else line["payload"].encode()
            retain = line.get("retain", False)
            yield Arrived(1_763_964_000_000_000 + round(at_s * 1e6), line["topic"], payload, retain)


def proposals(messages: Mapping[str, object], times: int = 20) -> tuple[dict[str, object], Heard]:
    """What is proposed when each topic sends its value over and over, by machine and name."""
    heard = Heard()
    for n in range(times):
        for topic, sent in messages.items():
            value = sent[n % len(sent)] if isinstance(sent, list) else sent
            content = value if isinstance(value, bytes) else str(value).encode()
            heard.hear(Arrived(1_763_964_000_000_000 + n * 5_000_000, topic, content))
    machines = found(heard).machines
    return {f"{key}/{made.name}": made for key, some in machines.items() for made in some}, heard


def test_machines_without_a_machines_word_are_told_by_the_tails_they_share():
    made, _ = proposals({
        f"plant/{hall}/{tail}": "21"
        for hall in ("east", "west")
        for tail in ("spindle/speed", "spindle/load", "bearing/temp", "axis/x/load", "axis/y/load")
    } | {"plant/ambient/temp": "20"})  # fmt: skip
    assert {"east", "west"} == {key.split("/")[0] for key in made}
    assert 12 == len(made)  # the room's temperature serves both


def test_axes_and_bearings_are_no_machines():
    made, _ = proposals({
        f"axis/{axis}/{tail}": "3" for axis in "xyz" for tail in ("load", "position", "error")
    })  # fmt: skip
    assert {"machine-1"} == {key.split("/")[0] for key in made}
    assert {"x", "y", "z"} == {one.axis for one in made.values()}


def test_pairs_are_told_apart_by_their_own_words_and_a_double_is_asked_about():
    made, _ = proposals({
        "m1/bearing 1 temp": "40", "m1/bearing 2 temp": "41", "m1/spindle/speed": "100",
        "m1/spindle/speed/actual": "100",
    })  # fmt: skip
    assert ("1", "2") == (made["m-1/bearing_1_temp"].place, made["m-1/bearing_2_temp"].place)
    speeds = sorted(one.sure for one in made.values() if one.role == "spindle_speed")
    assert ["likely", "please check"] == speeds or ["please check", "sure"] == speeds


def test_values_that_cannot_be_take_the_certainty_from_a_role():
    made, _ = proposals({"m1/bearing/temp": "5000", "m1/spindle/speed": "900000"})
    assert {"please check"} == {one.sure for one in made.values()}


def test_signal_without_telling_words_is_only_asked_about():
    heard = Heard()
    for message in unlike():
        topic = message.topic.replace("CNC1_SpindleBearingTempUpper_degF", "CNC1_Sensor7")
        heard.hear(message._replace(topic=topic))
    [made] = [m for m in found(heard).machines["cnc-1"] if m.source.topic == "CNC1_Sensor7"]
    assert made.sure in {"", "please check"}


def test_sparkplug_metrics_get_their_births_names_and_roles(tmp_path):
    right = {("shop/gw1/mill-1", ""): ""}
    _, text = rows(_case_messages("P13-sparkplug"), right)
    config = loaded(text, tmp_path)
    metrics = {s.payload.metric: s.role for s in config.settings.signals}
    assert "bearing_temperature" == metrics["bearing/temp"]
    assert {"bearing/temp", "offset/um", "air/on"} <= set(metrics)


def test_what_could_not_be_guessed_is_said(tmp_path):
    _, heard = proposals({
        "m1/raw": b"\x01\x02\xff\xfe", "m1/trace": b"[1,2,3]", "m1/empty": b"",
        "m1/mode": ["auto", "mdi"], "m1/deep": b'{"a":{"b":{"c":{"d":{"e":{"f":{"g":1}}}}}}}',
    })  # fmt: skip
    text = draft(heard, found(heard), BROKER)
    loaded(text, tmp_path)
    assert "m1/raw: raw bytes (4 of them)" in text
    assert "m1/trace: arrays without the time between their values" in text
    assert "m1/deep: nothing in it reads as a value" in text
    assert "m1/empty: only empty messages came" in text
    assert 'please sort these words into words = { on = [...], off = [...] }: "auto", "mdi"' in text


def test_more_topics_than_any_shop_has_are_left_out_and_told(tmp_path):
    _, heard = proposals({f"m1/zone-{n}/temp": "21" for n in range(TOPICS_MAX + 700)}, times=1)
    text = draft(heard, found(heard), BROKER)
    assert "700 further topics, for want of room" in text
    assert TOPICS_MAX == len(heard.topics)


def test_machine_that_did_nothing_is_told_of():
    _, heard = proposals({"m1/power": "off", "m2/spindle/speed": "0", "m2/power": "on",
                          "m3/spindle/speed": ["0", "900"]})  # fmt: skip
    proposed = found(heard)
    assert {"m-1": "it was off all the time", "m-2": "its spindle stood all the time"} == (
        proposed.stood
    )
    assert 2 == draft(heard, proposed, BROKER).count("listen again while it runs")


def test_sensor_that_is_silent_without_power_is_fed_by_it(tmp_path):
    heard = Heard()
    for second in range(0, 4 * 3600, 10):
        at_us = 1_763_964_000_000_000 + second * 1_000_000
        on = second % 7200 < 3600
        heard.hear(Arrived(at_us, "m1/power", b"on" if on else b"off"))
        heard.hear(Arrived(at_us, "m1/bearing/temp", b"30"))
        if on:
            heard.hear(Arrived(at_us, "m1/hydraulic/pressure", b"55"))
    config = loaded(draft(heard, found(heard), BROKER), tmp_path)
    assert {"hydraulic_pressure": "power", "bearing_temp": None, "power": None} == {
        signal.name: signal.fed_by for signal in config.settings.signals
    }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(TOPICS, BODIES), min_size=1, max_size=12))
def test_whatever_comes_the_draft_is_one_that_check_accepts(messages):
    heard = Heard()
    for n, (topic, body) in enumerate(messages):
        heard.hear(Arrived(1_763_964_000_000_000 + n, topic, body))
    if heard.messages and (proposed := found(heard)).machines:
        with TemporaryDirectory() as folder:
            loaded(draft(heard, proposed, BROKER), Path(folder))


def test_recording_is_read_in_place_of_a_broker_and_a_file_is_never_written_over(tmp_path):
    day, out = tmp_path / "day.jsonl.gz", tmp_path / "draft.toml"
    write_recording(day, [Arrived(1_763_964_000_000_000 + n * 1_000_000, "m1/spindle/speed", b"800")
                          for n in range(50)])  # fmt: skip
    code, text, told = survey(str(day), "-o", str(out))
    assert (0, "") == (code, text)
    assert "1 sure" in told
    assert "spindle_speed" == load(out).settings.signals[0].role
    code, _, told = survey(str(day), "-o", str(out))
    assert 2 == code
    assert "is already there" in told


@pytest.mark.broker
def test_broker_is_listened_to_with_name_and_password(tmp_path):
    (tmp_path / "names").write_text("pier:$7$101$")
    secret = tmp_path / "secret"
    secret.write_text("seal oil\n")
    secret.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(tmp_path / "names"), "pier", "seal oil"],
                   check=True, env={"PATH": "/usr/bin:/usr/sbin:/usr/local/bin"})  # fmt: skip
    text = "allow_anonymous false\npassword_file " + str(tmp_path / "names") + "\n"
    broker = Mosquitto(tmp_path / "broker", QUEUES.replace("allow_anonymous true", text))
    broker.start()
    try:
        subprocess.run(["mosquitto_pub", "-p", str(broker.port), "-u", "pier", "-P", "seal oil",
                        "-t", "pier/mill-1/power", "-m", "on", "-r", "-q", "1"],
                       check=True)  # fmt: skip
        words = ("--broker", broker.url, "--for", "2 s", "--username", "pier")
        code, text, _ = survey(*words, "--password-file", str(secret))
        assert 0 == code
        config = loaded(text, tmp_path)
        assert ("pier", secret) == (config.broker.username, config.broker.password_file)
        code, _, told = survey(*words)
        assert 1 == code
        assert "not authorised" in told.lower() or "refuse" in told.lower()
    finally:
        broker.stop()


@pytest.mark.broker
def test_broker_fed_with_a_recorded_day_gives_the_right_roles(mosquitto, tmp_path):
    publish(mosquitto, islice(messages_of(DAYS[-1]), 3000))
    code, text, told = survey("--broker", mosquitto.url, "--for", "2 s", "--topic", "pier/#")
    assert 0 == code, told
    config = loaded(text, tmp_path)
    right = {topic: role for (topic, _), role in plant_roles().items()}
    found_ = [(s.topic, s.role or "") for s in config.settings.signals]
    good = [pair for pair in found_ if pair[1] and right[pair[0]] == pair[1]]
    with_role = [pair for pair in found_ if right[pair[0]]]
    print(f"\nsurvey of a broker fed with a day: right {len(good)} of {len(with_role)}")
    assert 0.8 * len(with_role) <= len(good)
    assert [] == [pair for pair in found_ if pair[1] and right[pair[0]] != pair[1]]


@pytest.mark.parametrize(("words", "code", "told"), [
    ([], 2, "give either --broker"),
    (["--broker", "mqtt://127.0.0.1:1", "day.jsonl"], 2, "either recordings, or a broker"),
    (["--broker", "http://x"], 2, '--broker: write it like "mqtt://host:1883"'),
    (["--broker", "mqtt://127.0.0.1:1", "--ca-file", "no-such"], 2, "--ca-file: "),
    (["--broker", "mqtt://127.0.0.1:1", "--for", "soon"], 2, "--for 'soon' is no time"),
    (["no-such.jsonl"], 2, "there is no such file"),
])  # fmt: skip
def test_what_cannot_begin_is_told_in_words(words, code, told):
    got, _, text = survey(*words)
    assert code == got
    assert told in text


def test_nobody_listening_is_told_in_words():
    code, _, text = survey("--broker", f"mqtt://127.0.0.1:{free_port()}")
    assert 1 == code
    assert "nobody listens" in text


@pytest.mark.parametrize(("name", "parts"), [
    ("SpindleBearingTemp", "spindle bearing temp"), ("wayoil", "way oil"), ("xload", "x load"),
    ("srpm", "spindle rpm"), ("HydPress_MPa", "hyd press mpa"), ("mill-1", "mill 1"),
    ("axis.x.position", "axis x position"), ("latchtime", "latch time"), ("quux", "quux"),
])  # fmt: skip
def test_names_are_taken_apart_into_the_trades_words(name, parts):
    assert tuple(parts.split()) == split(name)

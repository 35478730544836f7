"""What a configuration must not say: each refused in words, and what is only doubtful warned of."""

from pathlib import Path

import pytest

from condmon.config import load
from condmon.errors import ConfigError

SITE = '[site]\nname = "North Pier Optics"\ntimezone = "Europe/Oslo"\n'
MILL = SITE + '[[machine]]\nid = "mill-1"\n'
POWER = '[machine.signal.power]\ntopic = "pier/power"\nrole = "power"\n'
TEMP = '[machine.signal.temp]\ntopic = "pier/temp"\nrole = "bearing_temperature"\n'
CHECK = '[[check]]\nid = "own"\nwhen = "power"\n'
HOOK = '[[send.webhook]]\nurl = "https://gate.pier.example/"\n'
MAIL = '[[send.email]]\nhost = "m.pier.example"\nsender = "a@b.example"\nto = ["c@d.example"]\n'


def topic(text: str) -> str:
    return f'{MILL}[machine.signal.one]\nrole = "power"\ntopic = "{text}"\n'


def load_text(tmp_path: Path, text: str):
    (tmp_path / "condmon.toml").write_text(text, encoding="utf-8")
    return load(tmp_path / "condmon.toml")


# what the file says -> the header and key the problem is told at, and words of it
# fmt: off
REFUSED = [
    # topics
    (topic("pier/+/x"), "[machine.signal.one] topic:", "wildcards"),
    (topic("$SYS/broker/uptime"), "[machine.signal.one] topic:", "begin with $"),
    (topic("pier/x "), "[machine.signal.one] topic:", "blank at the beginning or the end"),
    (topic(""), "[machine.signal.one] topic:", "empty"),
    (topic("x" * 65_536), "[machine.signal.one] topic:", "65535"),
    (topic("\u00e6" * 40_000), "[machine.signal.one] topic:", "65535 bytes"),
    (topic("pier\\u0000x"), "[machine.signal.one] topic:", "control character"),
    (topic("pier\\nx"), "[machine.signal.one] topic:", "control character"),
    (MILL + '[machine.signal.one]\nrole = "power"\n', "[machine.signal.one]:", "topic is missing"),
    (MILL + POWER + POWER.replace("signal.power", "signal.again"),
     "[machine.signal.again] topic:", 'signal "power" reads the same value of the same topic'),
    (MILL + POWER + '[broker]\nalso = ["$share/x/pier/#"]\n', "[broker] also:", "begin with $"),
    # machines and their names
    (MILL + POWER + MILL.removeprefix(SITE), "[[machine]] id:", "another machine with the id"),
    (SITE + '[[machine]]\nid = "condmon"\n' + POWER, "[[machine]] id:", "condmon itself"),
    (SITE + '[[machine]]\nid = "Mill 1"\n' + POWER, "[[machine]] id:", "a-z 0-9"),
    (SITE + "[[machine]]\n" + POWER, "[[machine]]:", "id is missing"),
    (SITE, ":", "there is no [[machine]]"),
    (SITE + '[machine]\nid = "mill-1"\n', "machine:", "write [[machine]]"),
    (SITE + "machine = 3\n", "[site] machine:", "it goes into the top of the file"),
    (MILL + POWER.replace("signal.power", "signal.Power"), "[machine.signal.Power]:", "a-z, 0-9"),
    (MILL + POWER.replace("signal.power", "signal.not"), "[machine.signal.not]:", "conditions"),
    (MILL + POWER.replace("signal.power", "signal.duty"), "[machine.signal.duty]:", "conditions"),
    (MILL + 'signal = "x"\n', "[[machine]] signal:", "sections with a name"),
    (MILL + POWER + "signal.x = 3\n", "[machine.signal.power] signal:", "it goes into [machine]"),
    # roles, kinds, units, figures
    (MILL + POWER.replace('"power"', '"powr"'), "[machine.signal.power] role:", 'mean "power"?'),
    (MILL + '[machine.signal.x]\ntopic = "a"\n', "[machine.signal.x]:", "unit is missing"),
    (MILL + POWER + 'kind = "staet"\n', "kind:", 'did you mean "state"?'),
    (MILL + TEMP + 'unit = "bar"\n', "unit:", "a unit of pressure"),
    (MILL + TEMP + "trip = 500\n", "trip:", "outside the plausible range -10 to 120"),
    (MILL + TEMP + "trip = inf\n", "trip:", "ordinary number"),
    (MILL + TEMP + "trip = true\n", "trip:", "a number, not true"),
    (MILL + TEMP + "trip = 2026-11-25\n", "trip:", "a number, not a date or time"),
    (MILL + TEMP + "range = [1]\n", "range:", "two numbers"),
    (MILL + TEMP + "tolerance = 0\n", "tolerance:", "above 0"),
    (MILL + TEMP + "width = 16\n", "width:", "a measure has no use for it"),
    (MILL + TEMP + 'words = { on = ["a"] }\n', "words:", "a measure has no use for it"),
    (MILL + POWER + "trip = 1\n", "trip:", "a state has no use for it"),
    (MILL + POWER + 'words = { on = ["A"], off = ["a"] }\n', "words", "cannot mean both"),
    (MILL + POWER + 'words = { on = ["a", "A"] }\n', "words] on:", "twice"),
    (MILL + POWER + 'words = { onn = ["a"] }\n', "words] onn:", 'did you mean "on"?'),
    (MILL + POWER + 'words = ["a"]\n', "words]:", "must be a section"),
    (MILL + TEMP + 'stale_after = "0 s"\n', "stale_after:", "from 1 s to"),
    (MILL + TEMP + 'stale_after = "60 sec"\n', "stale_after:", '"60 sec" is no time'),
    (MILL + TEMP + "stale_after = -5\n", "stale_after:", "cannot be negative"),
    (MILL + TEMP + "stale_after = true\n", "stale_after:", "true is not a text"),
    (MILL + TEMP + 'fed_by = "powr"\n' + POWER, "fed_by:", 'did you mean "power"?'),
    (MILL + TEMP + 'fed_by = "temp"\n', "fed_by:", "no state signal"),
    (MILL + POWER + 'fed_by = "power"\n', "fed_by:", "no state signal"),
    # places in payloads
    (MILL + TEMP + 'value = "temp"\n', "value:", 'begins with a slash: "/temp"'),
    (MILL + TEMP + 'value = "/a~b"\n', "value:", "~0"),
    (MILL + TEMP + 'form = "text"\nvalue = "/a"\n', "value:", "plain text has no places"),
    (MILL + TEMP + 'where = "/a"\n', "where:", "a place and a text"),
    (MILL + TEMP + "dt = 4\n", "dt:", "text with its unit"),
    (MILL + TEMP + 'decimal_comma = "yes"\n', "decimal_comma:", "true or false, without quotes"),
    # duty and checks
    (MILL + '[machine.duty]\noff = "not powr"\n' + POWER, "[machine.duty] off:", 'mean "power"?'),
    (MILL + '[machine.duty]\nidle = "power"\n' + POWER, "[machine.duty] idle:", "of their own"),
    (MILL + "[machine.duty]\noff = 3\n" + POWER, "[machine.duty] off:", "text in quotes"),
    (MILL + POWER + CHECK.replace('"power"', '"power >"'), "[[check]] when:", "not a condition"),
    (MILL + POWER + CHECK.replace('"power"', "'duty == \"of\"'"), "[[check]] when:", "no duty"),
    (MILL + POWER + '[[check]]\nid = "own"\n', "[[check]]:", "when is missing"),
    (MILL + POWER + '[[check]]\nwhen = "power"\n', "[[check]]:", "id is missing"),
    (MILL + POWER + CHECK + 'machines = ["mil-1"]\n', "[[check]] machines:", 'mean "mill-1"?'),
    (MILL + POWER + CHECK + CHECK, "[[check]] id:", "another check with the id"),
    (MILL + POWER + CHECK.replace("own", "door-latch"), "[[check]] id:", "is a shipped check"),
    (MILL + POWER + CHECK + 'urgency = "soon"\n', "urgency:", "known are now, today, note"),
    (MILL + POWER + CHECK + "deadband = -1\n", "deadband:", "cannot be negative"),
    (MILL + POWER + CHECK + 'look_first = "a"\n', "look_first:", "a list in brackets"),
    (MILL + POWER + "[adjust.door-lach]\n", "[adjust.door-lach]:", 'mean "door-latch"?'),
    (MILL + POWER + "[machine.adjust.condmon-link]\n", "[machine.adjust.condmon-link]:",
     "changed under [adjust.condmon-link]"),
    (MILL + POWER + "[adjust.air-while-off]\nflow_mn = 3\n", "flow_mn:", 'mean "flow_min"?'),
    (MILL + POWER + '[adjust.air-while-off]\nflow_min = "3"\n', "flow_min:", "bare number"),
    (MILL + POWER + '[adjust.air-while-off]\nhold = "5"\n', "hold:", "is no time"),
    # the site
    (MILL.replace('name = "North Pier Optics"\n', "") + POWER, "[site]:", "name is missing"),
    (SITE + 'unattended = "Mon 1:00-2:00"\n', "unattended:", "this must be a list"),
    (SITE + 'unattended = ["Mo 20:00-06:00"]\n', "unattended:", "cannot be read"),
    (SITE + 'unattended = ["Mox 20:00-06:00"]\n', "unattended:", '"Mox" is no day'),
    (SITE + 'unattended = ["Mon 25:00-06:00"]\n', "unattended:", "25:00 is no time of day"),
    (SITE + 'unattended = ["Mon 06:00-06:00"]\n', "unattended:", "no length"),
    (SITE + 'unattended = ["Mon 06:00-Mon 06:00"]\n', "unattended:", "no length"),
    (SITE + 'unattended = ["Mon 1:00-2:00", "Mon-Tue 1:00-2:00"]\n', "unattended:", "twice"),
    (SITE + 'digest = "7"\n', "digest:", "hours and minutes"),
    (SITE + 'digest = "24:00"\n', "digest:", '"00:00"'),
    (SITE + "digest_days = []\n", "digest_days:", "at least one day"),
    (SITE + 'digest_days = ["Monday"]\n', "digest_days:", '"Mon"'),
    (MILL + POWER + '[plan.now]\nremind_after = ["1 h", "15 min"]\n', "[plan.now] remind_after:",
     "shorter one first"),
    (MILL + POWER + "[plan.soon]\n", "[plan] soon:", "known here: now, today, note"),
    (MILL + POWER + "[plan.now]\ntell_end = 1\n", "tell_end:", "true or false"),
    # what is outside
    (MILL + POWER + '[broker]\nurl = "http://x"\n', "[broker] url:", "mqtts://host:8883"),
    (MILL + POWER + '[broker]\nurl = "mqtt://[::1"\n', "[broker] url:", "cannot be read"),
    (MILL + POWER + '[broker]\nurl = "mqtt://x:0"\n', "[broker] url:", "from 1 to 65535"),
    (MILL + POWER + '[broker]\nurl = "mqtt://"\n', "[broker] url:", "empty"),
    (MILL + POWER + '[broker]\nhost = "x"\n', "[broker] host:", 'url = "mqtt://host:1883"'),
    (MILL + POWER + "[broker]\nreceive_maximum = 0\n", "receive_maximum:", "from 1 to 65535"),
    (MILL + POWER + '[broker]\nkeepalive = "1 s"\n', "keepalive:", "from 5 s to 1 h"),
    (MILL + POWER + '[broker]\npassword_file = "none"\nusername = "c"\n', "password_file:",
     "there is no file of this name"),
    (MILL + POWER + '[broker]\nca_file = "."\nurl = "mqtts://x"\n', "ca_file:", "is no file"),
    (MILL + POWER + "[store]\ndisk_min_mb = 1.5\n", "[store] disk_min_mb:", "whole number"),
    (MILL + POWER + HOOK.replace("https", "ftp"), "[[send.webhook]] url:", '"https://"'),
    (MILL + POWER + "[[send.webhook]]\n", "[[send.webhook]]:", "url is missing"),
    (MILL + POWER + HOOK + "urgencies = []\n", "urgencies:", "from 1 to"),
    (MILL + POWER + 2 * (HOOK.replace('/"', '/1"') + 'name = "a"\n'), "name:", "its own name"),
    (MILL + POWER + MAIL + 'username = "a"\n', "[[send.email]]:", "go together"),
    (MILL + POWER + MAIL.replace("c@d.example", "Bo <c@d.example>"), "to:", "no mail address"),
    (MILL + POWER + MAIL + 'security = "ssl"\n', "security:", "known are none, starttls, tls"),
    (MILL + POWER + MAIL + "port = 70000\n", "port:", "from 1 to 65535"),
    (MILL + POWER + "[send]\nwebhook = 3\n", "[send] webhook:", "[[send.webhook]]"),
    # keys in the wrong place
    (MILL + 'stale_after = "60 s"\n' + POWER, "[[machine]] stale_after:",
     "it goes into [machine.signal.NAME]"),
    ('"odd\\u001b[31m" = 1\n' + MILL + POWER, "odd\\u001b[31m:", "no such section"),
    ("format = 0\n" + MILL + POWER, "format:", "from 1"),
]
# fmt: on


@pytest.mark.parametrize(("text", "where", "words"), REFUSED, ids=lambda part: part[-40:])
def test_it_is_refused_in_words(tmp_path: Path, text: str, where: str, words: str):
    with pytest.raises(ConfigError) as caught:
        load_text(tmp_path, text)
    told = [row for row in caught.value.problems if words in row]
    assert told, caught.value.problems
    assert where in told[0]


# fmt: off
WARNED = [
    ('[site]\nname = "x"\n[[machine]]\nid = "m"\n' + POWER, "[site]: no timezone is given"),
    (MILL, "[[machine]]: this machine has no signals"),
    (MILL + TEMP + TEMP.replace("temp]", "t2]").replace("/temp", "/t2"), "played by"),
    (MILL + TEMP + '[[machine]]\nid = "m2"\n' + TEMP, 'machine "mill-1"'),
    (MILL + TEMP + "setpoint = 50\ntolerance = 5\ntrip = 54\n", "within the tolerance"),
    (MILL + TEMP + 'every = "2 min"\nstale_after = "1 min"\n', "make stale_after longer"),
    (MILL + POWER + MAIL + MAIL, "c@d.example is told by another"),
]
# fmt: on


@pytest.mark.parametrize(("text", "words"), WARNED, ids=lambda part: part[-40:])
def test_it_is_warned_of(tmp_path: Path, text: str, words: str):
    (told,) = load_text(tmp_path, text).warnings
    assert words in told


def test_a_password_on_an_open_network_is_warned_of(tmp_path: Path):
    (tmp_path / "secret").write_text("x")
    (tmp_path / "secret").chmod(0o600)
    keys = '[broker]\nusername = "c"\npassword_file = "secret"\nurl = "mqtt://%s"\n'
    assert "mqtts://" in load_text(tmp_path, MILL + POWER + keys % "far.example").warnings[0]
    assert () == load_text(tmp_path, MILL + POWER + keys % "localhost").warnings


def test_certificate_and_key_go_together(tmp_path: Path):
    (tmp_path / "own.pem").write_text("x")
    text = MILL + POWER + '[broker]\ncert_file = "own.pem"\n'
    with pytest.raises(ConfigError) as caught:
        load_text(tmp_path, text)
    assert ["go together", "mqtts"] == [
        word for row, word in zip(caught.value.problems, ("go together", "mqtts"), strict=True)
        if word in row
    ]  # fmt: skip


def test_an_empty_secret_is_refused(tmp_path: Path):
    (tmp_path / "secret").touch(0o600)
    text = MILL + POWER + '[broker]\nusername = "c"\npassword_file = "secret"\n'
    with pytest.raises(ConfigError, match="is empty; write the secret into it"):
        load_text(tmp_path, text)


def test_two_machines_may_share_what_the_shop_has_once(tmp_path: Path):
    room = '[machine.signal.room]\ntopic = "pier/room"\nrole = "room_temperature"\n'
    text = MILL + room + '[[machine]]\nid = "mill-2"\n' + room
    assert () == load_text(tmp_path, text).warnings


def test_one_topic_may_carry_two_states_told_by_different_words(tmp_path: Path):
    run = '[machine.signal.run]\ntopic = "pier/power"\nrole = "cycle_running"\n'
    text = MILL + POWER + run
    assert 2 == len(load_text(tmp_path, text).settings.signals)


def test_line_numbers_survive_long_values_and_comments(tmp_path: Path):
    text = (
        "# [no.section]\nformat = 1 # [x]\n" + SITE + 'unattended = [\n  "Mon 1:00-2:00", # ]\n]\n'
        '[[machine]]\nid = "a"\n' + POWER + '[[machine]]\nid = "mill-2"\n'
        "[machine . signal . \"power\"]\ntopic = '''\npier/x'''\nrole = 'power'\ntrip = 1\n"
    )
    with pytest.raises(ConfigError) as caught:
        load_text(tmp_path, text)
    lines = text.splitlines()
    assert [lines.index("trip = 1") + 1] == [
        int(row.split(":")[1]) for row in caught.value.problems
    ]

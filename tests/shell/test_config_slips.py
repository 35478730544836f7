"""The slips of case O09, each in a file of its own and as many as can stand in one file."""

import json
from pathlib import Path
from typing import NamedTuple

import pytest

from condmon.config import load
from condmon.errors import ConfigError

CASES = Path(__file__).parents[1] / "cases" / "input" / "O09-config-typos.jsonl"

GOOD = """\
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"

[broker]
url = "mqtt://127.0.0.1:1883"

[store]
path = "kept"

[[machine]]
id = "mill-1"
name = "Five-axis mill"

[machine.signal.door_closed]
topic = "pier/mill-1/door"
role = "door_closed"

[machine.signal.air_flow]
topic = "pier/mill-1/air"
role = "air_flow"
every = "30 s"

[machine.signal.bearing_upper]
topic = "pier/mill-1/bearing/upper"
role = "bearing_temperature"
unit = "Cel"
trip = 55
stale_after = "60 s"

[[check]]
id = "air-with-guard-open"
machines = ["mill-*"]
when = "air_flow > 5 and not door_closed"
hold = "60 s"

[[send.webhook]]
name = "gate"
url = "https://gate.pier.example/condmon"
"""


class Slip(NamedTuple):
    """A change of the good file and what must be said about it."""

    case: str  # in the words of the case
    old: str
    new: str
    line_of: str  # the problem is told at the line where this stands last
    words: tuple[str, ...]


HOST = "127.0.0.1:1883"
WHEN = "air_flow > 5 and not door_closed"
AGAIN = GOOD[GOOD.index("[machine.signal.air_flow]") : GOOD.index("[machine.signal.bearing_upper]")]
GATE = GOOD[GOOD.index("[[send.webhook]]") :]

# fmt: off
SLIPS = [
    Slip("unknown key (typing slip in a limit name)", 'stale_after = "60 s"', 'stale_afer = "60 s"',
         "stale_afer",
         ("[machine.signal.bearing_upper] stale_afer:", 'did you mean "stale_after"?')),
    Slip("limit_high lower than limit_low", "trip = 55", "range = [120, -10]", "range",
         ("range:", "lower end comes first", "[-10, 120]")),
    Slip("limit_high lower than limit_low", "trip = 55", "limit_high = 20", "limit_high",
         ("limit_high:", "no such key", '"trip"', "[[check]]")),
    Slip('limit given as text "55 C"', "trip = 55", 'trip = "55 C"', "trip",
         ("trip:", "bare number", "without its unit: 55")),
    Slip("comma decimal 55,0", "trip = 55", "trip = 55,0", "trip",
         ("a decimal is written with a point: 55.0", "column 10")),
    Slip("topic with + in the middle of a level (mill+1)", "pier/mill-1/air", "pier/mill+1/air",
         "mill+1", ("[machine.signal.air_flow] topic:", "+ and # are wildcards")),
    Slip("topic with + in the middle of a level (mill+1)", f'url = "mqtt://{HOST}"',
         'also = ["pier/mill+1/air"]', "also",
         ("[broker] also:", "+ stands alone between two slashes")),
    Slip("topic filter # not last", f'url = "mqtt://{HOST}"', 'also = ["pier/#/air"]', "also",
         ("[broker] also:", "# stands alone and only as the last level")),
    Slip("topic filter # not last", "pier/mill-1/air", "pier/#/air", "pier/#/air",
         ("topic:", "+ and # are wildcards")),
    Slip("two signals with one name", "[[check]]", AGAIN + "[[check]]", "[machine.signal.air_flow]",
         ("this section is there twice; keep one",)),
    Slip("rule names a signal that does not exist", WHEN, "air_flw > 5 and not door_closed",
         "air_flw",
         ("[[check]] when:", 'machine "mill-1"', "no signal air_flw", 'did you mean "air_flow"?')),
    Slip("hold of 5 without unit", 'hold = "60 s"', "hold = 5", "hold",
         ("[[check]] hold:", '"5 s" or "5 min"')),
    Slip("hold of 5 without unit", 'hold = "60 s"', 'hold = "5"', "hold",
         ("[[check]] hold:", '"5" is no time', "s, min, h or d")),
    Slip("negative hold", 'hold = "60 s"', 'hold = "-60 s"', "hold",
         ("[[check]] hold:", "cannot be negative")),
    Slip("unit unknown", 'unit = "Cel"', 'unit = "degC"', "unit",
         ("unit:", '"degC" is no UCUM code', 'did you mean "Cel"?')),
    Slip("unit unknown", 'unit = "Cel"', 'unit = "Cels"', "unit",
         ("unit:", '"Cels" is no UCUM code', 'did you mean "Cel"?')),
    Slip("tab or broken indentation", "pier/mill-1/air", "pier/mill-1\t/air", "mill-1\t",
         ("topic:", "tab, line break or another control character")),
    Slip("tab or broken indentation", "trip = 55", "trip =\n  55", "trip =",
         ("the value is missing; it stands on the same line as its key",)),
    Slip("time zone Europe/Berln", "Europe/Oslo", "Europe/Berln", "timezone",
         ("[site] timezone:", '"Europe/Berln"', 'did you mean "Europe/Berlin"?')),
    Slip("port 18830000", HOST, "127.0.0.1:18830000", 'url = "mqtt',
         ("[broker] url:", "port is a number from 1 to 65535")),
    Slip("host with blank at the end", HOST, "broker.pier.example :1883", 'url = "mqtt',
         ("[broker] url:", "there is a blank in the address")),
    Slip("host with blank at the end", f"mqtt://{HOST}", "mqtt://broker.pier.example ",
         'url = "mqtt', ("[broker] url:", "blank at the beginning or the end")),
    Slip("boolean yes/no/on/off as value of a text", 'name = "Five-axis mill"', "name = on",
         "name = on", ('a text stands in quotes: name = "..."',)),
    Slip("boolean yes/no/on/off as value of a text", 'name = "Five-axis mill"', "name = true",
         "name = true", ("[[machine]] name:", "true is not a text", "put it in quotes")),
    Slip("duplicate section", "[[machine]]", '[broker]\nusername = "condmon"\n\n[[machine]]',
         "[broker]", ("this section is there twice; keep one",)),
    Slip("future format version", "[site]", "format = 7\n[site]", "format",
         ("format:", "format 7", "reads formats up to 1")),
    Slip("include loop", "[site]", 'include = ["condmon.toml"]\n[site]', "include",
         ("include:", "no such section", "one file holds everything")),
    Slip("percent or brace in a password", f"mqtt://{HOST}", f"mqtt://condmon:50%{{x}}@{HOST}",
         'url = "mqtt', ("[broker] url:", "username and password_file")),
    Slip("percent or brace in a password", f'url = "mqtt://{HOST}"', 'password = "50%{x}"',
         "password", ("[broker] password:", 'did you mean "password_file"?')),
]
WARNINGS = [
    Slip("limit exactly equal to the normal value", "trip = 55", "setpoint = 55\ntrip = 55", "trip",
         ("trip:", "exactly the set point")),
    Slip("same alert route twice", GATE, GATE + "\n" + GATE.replace('"gate"', '"gate-2"'),
         'url = "https', ("[[send.webhook]] url:", "twice")),
    Slip("window shorter than sample period", WHEN, "mean(air_flow, '10 s') > 5", "when",
         ("[[check]] when:", 'window "10 s" is shorter than the 30 s between samples of air_flow')),
]
# fmt: on
TOLD_OF_THE_FILE = {
    "file with BOM",
    "file in latin-1",
    "empty file",
    "missing file",
    "secret file readable by all",
}


def changed(slip: Slip) -> tuple[str, int]:
    """The file with the slip in it, and the line at which it must be told."""
    assert slip.old in GOOD
    text = GOOD.replace(slip.old, slip.new, 1)
    lines = text.splitlines()
    return text, max(n for n, line in enumerate(lines, 1) if slip.line_of in line)


def problems(tmp_path: Path, content: str | bytes) -> list[str]:
    """All that is found in a file of that content."""
    file = tmp_path / "condmon.toml"
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(ConfigError) as caught:
        load(file)
    return caught.value.problems


def test_the_good_file_is_good(tmp_path: Path):
    (tmp_path / "condmon.toml").write_text(GOOD)
    assert () == load(tmp_path / "condmon.toml").warnings


def test_every_slip_of_the_case_is_tried():
    named = {json.loads(line)["change"] for line in CASES.read_text().splitlines()}
    assert 28 == len(named)
    assert named == {slip.case for slip in SLIPS + WARNINGS} | TOLD_OF_THE_FILE


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: f"{slip.case}: {slip.new[-30:]}")
def test_a_slip_is_told_once_with_file_line_key_and_what_was_meant(slip: Slip, tmp_path: Path):
    text, line = changed(slip)
    (told,) = problems(tmp_path, text)
    assert told.startswith(f"{tmp_path / 'condmon.toml'}:{line}: "), told
    for words in slip.words:
        assert words in told
    assert "50%" not in told, "a password is never repeated"


@pytest.mark.parametrize("slip", WARNINGS, ids=lambda slip: slip.case)
def test_a_doubtful_figure_warns_and_does_not_stop_the_start(slip: Slip, tmp_path: Path):
    text, line = changed(slip)
    file = tmp_path / "condmon.toml"
    file.write_text(text)
    (told,) = load(file).warnings
    assert told.startswith(f"{file}:{line}: "), told
    for words in slip.words:
        assert words in told


TOGETHER = """\
include = ["condmon.toml"]                    #! one file holds everything
[site]
name = yes                                    #! a text stands in quotes: name = "..."
timezone = "Europe/Berln"                     #! did you mean "Europe/Berlin"?

[broker]
url = "mqtt://127.0.0.1:18830000"             #! a port is a number from 1 to 65535
password = "50%{x}"                           #! did you mean "password_file"?
username = "condmon"
password_file = "open.password"               #! can be read by others than its owner
also = ["pier/#/air"]                         #! # stands alone and only as the last level

[[machine]]
id = "mill-1"
name = true                                   #! true is not a text

[machine.signal.one]
topic = "pier/mill+1/air"                     #! + and # are wildcards
unit = "degC"                                 #! did you mean "Cel"?
range = [120, -10]                            #! the lower end comes first
stale_afer = "60 s"                           #! did you mean "stale_after"?

[machine.signal.two]
topic = "pier/mill-1\t/air"                   #! a tab
role = "bearing_temperature"
trip = 55,0                                   #! a decimal is written with a point: 55.0
setpoint = "20 C"                             #! without its unit: 20
limit_high = 55                               #! "trip"
step_max =                                    #! the value is missing
  8
[machine.signal.one]                          #! this section is there twice
topic = "pier/mill-1/two"

[[check]]
id = "first"
when = "there > 5"                            #! no signal there
hold = 5                                      #! "5 s" or "5 min"
release = "-5 s"                              #! cannot be negative

[broker]                                      #! this section is there twice
keepalive = "30 s"

[[send.email]]
host = "mail.pier.example "                   #! a blank at the beginning or the end
sender = "condmon@pier.example"
to = ["owner@pier.example"]
"""


def test_all_slips_that_can_stand_together_are_told_at_once(tmp_path: Path):
    (tmp_path / "open.password").write_text("x")
    (tmp_path / "open.password").chmod(0o644)
    told = problems(tmp_path, TOGETHER)
    lines = TOGETHER.splitlines()
    wanted = {n: line.split("#! ")[1] for n, line in enumerate(lines, 1) if "#! " in line}
    assert list(wanted) == [int(row.split(":")[1]) for row in told]
    for (line, words), row in zip(wanted.items(), told, strict=True):
        assert words in row, f"line {line}"


def test_indentation_and_tabs_between_words_mean_nothing(tmp_path: Path):
    file = tmp_path / "condmon.toml"
    file.write_text("\n".join("\t  " + line.replace(" = ", "\t=\t") for line in GOOD.splitlines()))
    assert 3 == len(load(file).settings.signals)


def test_a_byte_order_mark_is_told(tmp_path: Path):
    (told,) = problems(tmp_path, b"\xef\xbb\xbf" + GOOD.encode())
    assert "condmon.toml:1: the file begins with a byte order mark (UTF-8); save it as" in told
    (told,) = problems(tmp_path, GOOD.encode("utf-16"))
    assert "byte order mark (UTF-16)" in told


def test_latin_1_is_told_with_its_line(tmp_path: Path):
    (told,) = problems(tmp_path, GOOD.replace("Five-axis mill", "Fräse").encode("latin-1"))
    assert "condmon.toml:13: the file is not UTF-8" in told
    assert "Latin-1" in told


@pytest.mark.parametrize("content", ["", "\n", "   \r\n\t"])
def test_an_empty_file_is_told(tmp_path: Path, content: str):
    (told,) = problems(tmp_path, content)
    assert "the file is empty; start from the example" in told


def test_a_missing_file_is_told(tmp_path: Path):
    with pytest.raises(ConfigError, match=r"no-such\.toml: the configuration cannot be read: No"):
        load(tmp_path / "no-such.toml")


def test_a_folder_is_no_configuration(tmp_path: Path):
    with pytest.raises(ConfigError, match="cannot be read: Is a directory"):
        load(tmp_path)


def test_a_secret_that_others_can_read_is_told(tmp_path: Path):
    secret = tmp_path / "broker.password"
    secret.write_text("50%{x}")
    secret.chmod(0o644)
    keys = 'username = "condmon"\npassword_file = "broker.password"\n\n[store]'
    text = GOOD.replace("[store]", keys)
    (told,) = problems(tmp_path, text)
    assert "[broker] password_file:" in told
    assert f"can be read by others than its owner (mode 644); do: chmod 600 {secret}" in told
    secret.chmod(0o600)  # and percent and braces are letters like others
    (tmp_path / "condmon.toml").write_text(text)
    assert secret == load(tmp_path / "condmon.toml").broker.password_file

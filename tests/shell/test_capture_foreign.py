"""CSV from elsewhere with a mapping of its columns: what it gives, trouble told by its place."""

import pytest

from condmon import capture
from condmon.capture import Notes, mapping
from condmon.clock import SiteCalendar
from condmon.engine.settings import Machine, Settings, Signal
from condmon.errors import UsageError
from tests.captures import rows as rows_of

SIGNALS = (
    Signal(0, "mill-1", "temp", "a", "measure", unit="Cel"),
    Signal(1, "mill-1", "power", "b", "state", words_on=("on",), words_off=("off",)),
    Signal(2, "mill-2", "temp", "c", "measure", unit="Cel"),
)
SETTINGS = Settings(
    "x", SiteCalendar("Europe/Oslo"),
    (Machine("mill-1", "M1", SIGNALS[:2]), Machine("mill-2", "M2", SIGNALS[2:])),
)  # fmt: skip

WIDE = """\
Logger 7;;;
exported
Datum;Uhrzeit;Spindel;Hall F;Ein
24.11.2025;07:00:00;21,5;212;on
24.11.2025;07:00:01;22,25;;off

24.11.2025;07:00:02;;32;perhaps
"""
WIDE_MAP = """
time = ["Datum", "Uhrzeit"]
time_format = "%d.%m.%Y %H:%M:%S"
delimiter = ";"
decimal = ","
skip_lines = 2
machine = "mill-1"
[signals]
"Spindel" = "temp"
"Hall F" = { signal = "mill-2/temp", unit = "[degF]" }
"Ein" = "power"
"""
LONG = """\
when,where,tag,reading
2025-11-24T06:00:00Z,mill-1,T1,20
2025-11-24T06:00:01Z,mill-2,T1,30
2025-11-24T06:00:02Z,mill-1,power,on
2025-11-24T06:00:03Z,mill-1,other,1
2025-11-24T06:00:04Z,mill-1,T1,n/k
"""
LONG_MAP = """
time = "when"
machine_column = "where"
signal_column = "tag"
value_column = "reading"
[signals]
T1 = "temp"
"""


def read(tmp_path, text, rules, name="log.csv"):
    """(rows, notes) of a CSV by a mapping."""
    (tmp_path / "columns.toml").write_text(rules)
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    notes = Notes()
    columns = mapping.load(tmp_path / "columns.toml")
    found = [r for b in capture.read([path], SETTINGS, notes, columns=columns) for r in b]
    return rows_of(found), notes


def test_a_column_a_signal_with_decimal_commas_units_words_and_local_time(tmp_path):
    rows, notes = read(tmp_path, WIDE, WIDE_MAP)
    assert [(0.0, 0, 21.5), (0.0, 2, 100.0), (0.0, 1, 1.0), (1.0, 0, 22.25), (1.0, 1, 0.0)] == [
        (at, signal, round(value, 9)) for at, signal, value, *_ in rows[:5]
    ]
    assert [(2.0, 2, 0.0, "good"), (2.0, 1, None, "bad")] == [
        (at, signal, value if value is None else round(value, 9) + 0.0, quality)
        for at, signal, value, quality, _ in rows[5:]
    ]
    assert ["line 7, column 'Ein': 'perhaps' is no value of power (unknown word); such cells: 1, "
            "put aside"] == [text.split(".csv: ", 1)[1] for text in notes.warnings]  # fmt: skip


def test_a_row_a_sample_with_names_of_its_own(tmp_path):
    rows, notes = read(tmp_path, LONG, LONG_MAP)
    assert [(0.0, 0, 20.0), (1.0, 2, 30.0), (2.0, 1, 1.0), (4.0, 0, None)] == [
        row[:3] for row in rows
    ]
    told = " ".join(notes.warnings)
    assert "mill-1/other (1 rows) is not in the configuration" in told
    assert "line 6, column 'reading': 'n/k' is no value of temp" in told


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (WIDE.replace("24.11.2025;07:00:01", "24.13.2025;07:00:01"),
         "line 5, column 'Datum': '24.13.2025 07:00:01' does not look like"),
        (WIDE.replace("Spindel", "Spindl"), "has no column 'Spindel' .* did you mean \"Spindl\""),
        (WIDE.replace("22,25;;off", "22,25"), "line 5: Expected 5 columns, got 3"),
        ("a\nb\n", "has no line below the 2 skipped"),
        (WIDE.replace("Ein", "Spindel"), "two columns have one name: Spindel"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_told_by_line_and_column(tmp_path, text, why):
    with pytest.raises(UsageError, match=why):
        read(tmp_path, text, WIDE_MAP)


@pytest.mark.parametrize(
    ("rules", "why"),
    [
        ("", "time: name the column"),
        ('time = "a"\ntimes = 1', "times: there is no such key.*time"),
        ('time = "a"\ndelimiter = ", "\n[signals]\nb = "mill-1/temp"', "delimiter: give one"),
        ('time = "a"\ndelimiter = ","\ndecimal = ","\n[signals]\nb = "temp"', "parted by the same"),
        ('time = "a"\nsignal_column = "b"', "go together"),
        ('time = "a"\n[signals]\nb = { signal = "temp", unit = "foot-fish" }', "not known"),
        ('time = "a"\n[signals]\nb = { signal = "temp", unt = "bar" }', 'mean "unit"'),
        ('time = "a"\ntimezone = "Oslo"\n[signals]\nb = "temp"', "no name of a time zone"),
        ('time = "a"\nskip_lines = -1\n[signals]\nb = "temp"', "whole number"),
        ("time = ", "not TOML"),
    ],
)  # fmt: skip
def test_a_wrong_mapping_says_what_to_write(tmp_path, rules, why):
    with pytest.raises(UsageError, match=why):
        read(tmp_path, LONG, rules)


def test_names_that_the_configuration_lacks_are_refused_with_the_nearest(tmp_path):
    with pytest.raises(UsageError, match='no signal mill-1/tmp; did you mean "mill-1/temp"'):
        read(tmp_path, WIDE, WIDE_MAP.replace('"Spindel" = "temp"', '"Spindel" = "tmp"'))
    with pytest.raises(UsageError, match="has to say which machine"):
        read(tmp_path, WIDE, WIDE_MAP.replace('machine = "mill-1"\n', ""))
    with pytest.raises(UsageError, match="unit of another quantity"):
        read(tmp_path, WIDE, WIDE_MAP.replace("[degF]", "bar"))


def test_the_hour_that_comes_twice_and_letters_of_old_systems_are_read(tmp_path):
    text = "Zeit;Wärme\n26.10.2025 01:30:00;1\n26.10.2025 03:30:00;2\n".encode("latin-1")
    rules = (
        'time = "Zeit"\ntime_format = "%d.%m.%Y %H:%M:%S"\ndelimiter = ";"\nmachine = "mill-1"\n'
        '[signals]\n"Wärme" = "temp"\n'
    )
    rows, _ = read(tmp_path, text, rules)
    assert [3 * 3600.0] == [rows[1][0] - rows[0][0]]

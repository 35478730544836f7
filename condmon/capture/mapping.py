"""`--columns FILE.toml`: what the columns of somebody else's CSV are, said in a few lines.

    time = "Timestamp"                    # or ["Date", "Time"], joined by a blank
    time_format = "%d.%m.%Y %H:%M:%S"     # default: RFC 3339, or a number since 1970
    timezone = "Europe/Oslo"              # of times without a zone; default: the site's
    delimiter = ";"                       # default: a comma
    decimal = ","                         # default: a point
    skip_lines = 3                        # before the line with the names of the columns
    machine = "mill-1"                    # or machine_column = "Machine"
    [signals]                             # a column a signal: name of the column = signal
    "Spindle temp" = "bearing_upper"
    "Coolant F" = { signal = "coolant_supply", unit = "[degF]" }

With signal_column = "Tag" and value_column = "Value" a row is one sample; [signals] then renames.
"""

import argparse
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from condmon.engine.units import find
from condmon.engine.words import nearest
from condmon.errors import UsageError

SIGNAL_KEYS = ("signal", "unit", "scale")


@dataclass(frozen=True, slots=True)
class Target:
    """Which signal a column is, and what its numbers are in."""

    signal: str  # of the mapping's machine, or MACHINE/SIGNAL
    unit: str | None = None  # UCUM code; None: the signal's own
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Mapping:
    """A mapping as it is written; see the module."""

    time: tuple[str, ...] = ()
    time_format: str = ""
    timezone: str = ""
    delimiter: str = ","
    decimal: str = "."
    skip_lines: int = 0
    machine: str = ""
    machine_column: str = ""
    signal_column: str = ""
    value_column: str = ""
    signals: dict[str, Target] = field(default_factory=dict)

    @property
    def long(self) -> bool:
        """Whether a row is one sample."""
        return bool(self.signal_column)


KEYS = tuple(part.name for part in fields(Mapping))


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare --columns."""
    parser.add_argument(
        "--columns",
        type=Path,
        metavar="FILE.toml",
        help="what the columns of CSV files from elsewhere are; README tells how it is written",
    )


def asked(args: argparse.Namespace) -> Mapping | None:
    """The mapping that was asked for, None where none was. Raises UsageError."""
    return None if args.columns is None else load(args.columns)


def load(path: Path) -> Mapping:
    """Read a mapping; UsageError with every problem found, one a line."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: not TOML: {error}") from None
    problems: list[str] = []
    made = _made(table, problems)
    problems += _wrong(made)
    if problems:
        raise UsageError("\n".join(f"{path}: {text}" for text in problems))
    return made


def _made(table: dict[str, Any], problems: list[str]) -> Mapping:
    given: dict[str, Any] = {}
    for key, value in table.items():
        if key not in KEYS:
            problems.append(f"{key}: there is no such key{nearest(key, KEYS)}; "
                            f"known are {', '.join(KEYS)}")  # fmt: skip
        elif key == "signals":
            given[key] = _targets(value, problems)
        elif key == "time":
            parts = value if isinstance(value, list) else [value]
            given[key] = tuple(str(part) for part in parts)
        elif key == "skip_lines":
            if isinstance(value, bool) or not isinstance(value, int) or value < 0:
                problems.append("skip_lines: give a whole number, 0 or more")
            else:
                given[key] = value
        elif isinstance(value, str):
            given[key] = value
        else:
            problems.append(f"{key}: give a text in quotes")
    return Mapping(**given)


def _targets(table: object, problems: list[str]) -> dict[str, Target]:
    if not isinstance(table, dict):
        problems.append('signals: write a section [signals] with lines such as "Temp" = "bearing"')
        return {}
    found: dict[str, Target] = {}
    for column, value in table.items():
        row = {"signal": value} if isinstance(value, str) else value
        if not isinstance(row, dict) or not isinstance(row.get("signal"), str):
            problems.append(
                f'signals.{column}: give a signal, or {{ signal = "...", unit = "..." }}'
            )
            continue
        problems += [
            f"signals.{column}.{key}: there is no such key{nearest(key, SIGNAL_KEYS)}"
            for key in sorted(set(row) - set(SIGNAL_KEYS))
        ]
        scale, unit = row.get("scale", 1.0), row.get("unit")
        if isinstance(scale, bool) or not isinstance(scale, int | float):
            problems.append(f"signals.{column}.scale: give a number")
            scale = 1.0
        code = None if unit is None else find(str(unit))
        if unit is not None and code is None:
            problems.append(f"signals.{column}.unit: the unit {unit!r} is not known; use a UCUM "
                            "code such as Cel, [degF], bar")  # fmt: skip
        found[str(column)] = Target(row["signal"], code, float(scale))
    return found


def _wrong(made: Mapping) -> list[str]:
    """What does not go together."""
    found = []
    if not made.time:
        found.append('time: name the column that holds the time, such as time = "Timestamp"')
    single = ("delimiter", "decimal")
    found += [f"{key}: give one character" for key in single if len(getattr(made, key)) != 1]
    if made.decimal == made.delimiter:
        found.append("decimal: columns cannot be parted by the same character")
    if bool(made.signal_column) != bool(made.value_column):
        found.append("signal_column and value_column go together: a row is one sample then")
    if not made.signal_column and not made.signals:
        found.append("signals: say which column is which signal, in a section [signals]")
    if made.machine and made.machine_column:
        found.append("machine: give either machine or machine_column")
    if made.machine_column and not made.long:
        found.append("machine_column goes with signal_column, where a row is one sample")
    if made.timezone:
        try:
            ZoneInfo(made.timezone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            found.append(f'timezone: "{made.timezone}" is no name of a time zone, such as '
                         "Europe/Oslo")  # fmt: skip
    return found

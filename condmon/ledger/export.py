"""Entries as a file for others: CSV for a spreadsheet, JSON lines for a program."""

import csv
import json
from collections.abc import Iterable, Iterator
from io import StringIO
from pathlib import Path

from condmon.clock import rfc3339
from condmon.engine.settings import Calendar
from condmon.errors import CondmonError, UsageError
from condmon.ledger.show import entry_facts
from condmon.store.entries import Numbered

HEADINGS = ("number", "time_utc", "time_site", "machine", "kind", "text", "by", "facts", "id",
            "hash")  # fmt: skip
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""A spreadsheet takes a cell that begins so for something to be worked out (OWASP, CSV Injection,
from memory); the last four are the same signs in their wide forms."""


def csv_lines(found: Iterable[Numbered], calendar: Calendar) -> Iterator[str]:
    """Rows after RFC 4180 with a heading; no cell can be taken for a formula."""
    yield _row(HEADINGS)
    for seq, made, entry in found:
        facts = dict(entry.facts)
        yield _row(
            (str(seq), rfc3339(entry.at_us), calendar.text(entry.at_us), entry.machine, entry.kind,
             entry.text, str(facts.get("by") or ""), json.dumps(facts, ensure_ascii=False),
             entry.id, made.hex())
        )  # fmt: skip


def json_lines(found: Iterable[Numbered]) -> Iterator[str]:
    """One JSON object a line."""
    for one in found:
        yield json.dumps(entry_facts(one), ensure_ascii=False) + "\n"


def _row(cells: Iterable[str]) -> str:
    line = StringIO()
    csv.writer(line, lineterminator="\r\n").writerow([_harmless(cell) for cell in cells])
    return line.getvalue()


def _harmless(cell: str) -> str:
    """The cell with an apostrophe before it, where a spreadsheet would work something out."""
    inner = cell.lstrip(" \u00a0\u200b\ufeff\0")
    return "'" + cell if inner.startswith(_FORMULA) else cell


def write_new(path: Path, lines: Iterable[str]) -> None:
    """Write a file that must not be there yet; what could not be written whole is taken away."""
    try:
        file = path.open("x", encoding="utf-8", newline="")
    except FileExistsError:
        raise UsageError(
            f"{path} is already there and is not written over. Choose another name."
        ) from None
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}. Choose another place.") from error
    done = False
    try:
        with file:
            file.writelines(lines)
        done = True
    except OSError as error:
        raise CondmonError(f"cannot write {path}: {error.strerror}. Free some space.") from error
    finally:
        if not done:
            path.unlink(missing_ok=True)

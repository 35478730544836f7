"""A configuration file as text: read, decode and parse it, and know the line of every key.

`tomllib` stops at its first error and gives no lines for what it has read. Here a broken line is
set aside and reading goes on, so that all broken lines are named, and a small scanner over the
text finds the line of every key.
"""

import re
import tomllib
from pathlib import Path as File
from typing import Any, NamedTuple

from condmon.errors import ConfigError

Path = tuple[str | int, ...]
"""Where a key stands: ("machine", 0, "signal", "oil", "topic")."""

BYTES_MAX = 1_000_000
"""A shop with a hundred machines needs a tenth of it."""
BROKEN_LINES_MAX = 20
_BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "UTF-8", b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}

_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_KEY = r"(?:[A-Za-z0-9_-]+|\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*')"
_DOTTED = re.compile(rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*")
_KEY_LINE = re.compile(rf"(\s*{_DOTTED.pattern}\s*=).*", re.DOTALL)
_VALUELESS = re.compile(r"[^=]*=\s*(?:#.*)?")
_PIECE = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|.',
    re.DOTALL,
)


class Parsed(NamedTuple):
    """What could be read of a file: tables, the line of each key, and lines that are no TOML."""

    tables: dict[str, Any]
    lines: dict[Path, int]
    broken: dict[int, str]

    def line_of(self, path: Path) -> int:
        """Line of a key, or of the nearest section that holds it; 1 when there is none."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 1


def read(file: File) -> str:
    """Give the text of a configuration file; ConfigError says what to do when it is none."""
    try:
        with file.open("rb") as stream:
            content = stream.read(BYTES_MAX + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "this is no name of a file"
        raise _no_text(f"{file}: the configuration cannot be read: {reason}; give its place with "
                       "-c, or start from the example condmon.toml") from error  # fmt: skip
    if len(content) > BYTES_MAX:
        raise _no_text(f"{file}: larger than {BYTES_MAX} bytes; this is no configuration")
    for mark, name in _BYTE_ORDER_MARKS.items():
        if content.startswith(mark):
            raise _no_text(f"{file}:1: the file begins with a byte order mark ({name}); "
                           "save it as UTF-8 without BOM")  # fmt: skip
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _no_text(f"{file}:{line}: the file is not UTF-8 (a letter in another encoding, "
                       "perhaps Latin-1); save it as UTF-8") from error  # fmt: skip
    if not text.strip():
        raise _no_text(f"{file}: the file is empty; start from the example condmon.toml")
    return text


def _no_text(problem: str) -> ConfigError:
    return ConfigError([problem])


def parse(text: str) -> Parsed:
    """All that can be read of a text; a broken line is noted, set aside and read past."""
    rows = text.replace("\r\n", "\n").split("\n")
    broken: dict[int, str] = {}
    while True:
        whole = "\n".join([*rows, ""])
        try:
            tables = tomllib.loads(whole)
            return Parsed(tables, find_lines(whole), broken)
        except RecursionError:
            broken[1] = "brackets are nested too deeply; this is no configuration"
            return Parsed({}, {}, broken)
        except ValueError as error:  # also of numbers with thousands of figures
            line, words = _in_words(str(error), rows)
            again = line in broken
            broken.setdefault(line, words)
            if line > len(rows) or len(broken) > BROKEN_LINES_MAX:
                return Parsed({}, {}, broken)
            if not _set_aside(rows, line - 1, whole_line=again):
                return Parsed({}, {}, broken)


def _set_aside(rows: list[str], at: int, *, whole_line: bool) -> bool:
    """Take a broken line out, keeping its key where there is one; False when nothing is left of it.

    A section that cannot stand (a second one of the same name) goes with all its keys.
    """
    row, key = rows[at], _KEY_LINE.fullmatch(rows[at])
    if key and not whole_line:
        rows[at] = f'{key[1]} ""'
        if rows[at] == row:
            rows[at] = ""
        next_row = rows[at + 1].strip() if at + 1 < len(rows) else "["
        if _VALUELESS.fullmatch(row) and not re.search(r"^\[|=", next_row):
            rows[at + 1] = ""  # the value that should have stood behind the key
    elif row.lstrip().startswith("["):
        rows[at] = ""
        for below in range(at + 1, len(rows)):
            if rows[below].lstrip().startswith("["):
                break
            rows[below] = ""
    else:
        rows[at] = ""
    return rows[at] != row


def _in_words(message: str, rows: list[str]) -> tuple[int, str]:
    """Line and plain words for an error of the TOML reader."""
    found = _AT.search(message)
    reason = message[: found.start()] if found else message
    line = int(found[1]) if found and found[1] else len(rows)
    place = f" (column {found[2]})" if found and found[2] else " (at the end of the file)"
    row = rows[line - 1].strip() if line <= len(rows) else ""
    value = row.split("=", 1)[1].strip() if "=" in row and not row.startswith("[") else None
    if found and not found[1]:
        place += "; look for a quote or bracket that was opened and never closed"
    if re.search("twice|overwrite|mutate|redefine|[Dd]uplicate", reason):
        what = "section" if row.startswith("[") else "key"
        return line, f"this {what} is there twice; keep one{place}"
    if value is not None and re.match(r"[+-]?\d+,\d", value):
        number = re.match(r"[+-]?\d+,\d+", value)
        shown = number[0].replace(",", ".") if number else ""
        return line, f"a decimal is written with a point: {shown}{place}"
    if "Illegal character '\\n'" in reason:
        return line, f"the closing quote is missing{place}"
    if "\\" in reason and "escape" in reason.lower():
        return line, f"a backslash in a text needs single quotes: '...'{place}"
    if value is not None and re.match(r"[A-Za-z]", value):
        key = row.split("=", 1)[0].strip()
        return line, f'a text stands in quotes: {key} = "..."; only true and false have none{place}'
    if _VALUELESS.fullmatch(row):
        return line, f"the value is missing; it stands on the same line as its key{place}"
    if value is None and row and not row.startswith(("[", "#")):
        return line, f"a line is: key = value; the = is missing or the key is broken{place}"
    if value is not None and re.match(r"[+-]?\d", value):
        return line, ("this is neither a number nor a text; a text stands in quotes, a number "
                      f"alone{place}")  # fmt: skip
    return line, f"this is not TOML: {reason[:1].lower()}{reason[1:]}{place}"


def find_lines(text: str) -> dict[Path, int]:
    """Line of every key and section of a text that `tomllib` has accepted."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    section: Path = ()
    for at, line in _statements(text):
        opening = 2 if text.startswith("[[", at) else 1 if text[at] == "[" else 0
        start = at + opening
        while text[start] in " \t":
            start += 1
        names = _names(text, start)
        if not opening:
            lines.setdefault((*section, *names), line)
            continue
        section = (*_placed(names[:-1], counts), names[-1])
        if opening == 2:
            counts[section] = counts.get(section, -1) + 1
            lines.setdefault(section, line)
            section = (*section, counts[section])
        lines[section] = line
    return lines


def _statements(text: str) -> list[tuple[int, int]]:
    """(position, line) of the first letter of every header and every key."""
    starts = []
    line, depth, fresh = 1, 0, True
    for found in _PIECE.finditer(text):
        piece = found[0]
        if piece == "\n":
            fresh = fresh or depth == 0
        elif fresh and not piece.isspace() and piece[0] != "#":
            starts.append((found.start(), line))
            fresh, depth = False, 0
        depth += (piece in {"[", "{"}) - (piece in {"]", "}"})
        line += piece.count("\n")
    return starts


def _names(text: str, start: int) -> tuple[str, ...]:
    """Names of a dotted key at a position, quotes and escapes resolved."""
    found = _DOTTED.match(text, start)
    if found is None:
        return ("",)
    names: list[str] = []
    tree: Any = tomllib.loads(found[0] + " = 0")
    while isinstance(tree, dict):
        name, tree = next(iter(tree.items()))
        names.append(name)
    return tuple(names)


def _placed(names: tuple[str, ...], counts: dict[Path, int]) -> Path:
    """Path of a section's parents, with the number of the last element of each array."""
    path: Path = ()
    for name in names:
        path = (*path, name)
        if path in counts:
            path = (*path, counts[path])
    return path

"""One table of the configuration at a time: hands out its keys and notes every problem.

A reader of values (values.py) raises `Wrong` with plain words; `Section` adds file, line, section
and key, remembers the problem, and goes on with the default, so that all problems come at once.
"""

from collections.abc import Callable, Iterator
from typing import Any, TypeVar

from condmon.config.keys import INSTEAD, KEYS
from condmon.config.text import Parsed, Path
from condmon.engine.words import nearest

T = TypeVar("T")


class Wrong(ValueError):  # noqa: N818  (it is what is wrong, in words)
    """What is wrong with one value and what to do, in plain words."""


class Problems:
    """All that was found in one file; problems stop the start, warnings do not."""

    def __init__(self, file: str, parsed: Parsed) -> None:
        self._file, self._parsed = file, parsed
        self._found: list[tuple[int, str]] = list(parsed.broken.items())
        self._warned: list[tuple[int, str]] = []

    def note(self, path: Path, words: str, *, key: str = "", warning: bool = False) -> None:
        """Remember one problem of a section (`path`) and perhaps a key of it."""
        line = self._parsed.line_of((*path, key) if key else path)
        if line in self._parsed.broken and not warning:
            return  # said already, and what follows from it is no news
        where = f"{_header(path)} {key}".strip()
        (self._warned if warning else self._found).append((line, f"{where}: {words}"))

    def all(self) -> list[str]:
        """Every problem as `file:line: [section] key: words`, in the order of the file."""
        return [self._line(*found) for found in sorted(self._found)]

    def warnings(self) -> tuple[str, ...]:
        """Every warning, written the same way."""
        return tuple(self._line(*found) for found in sorted(self._warned))

    def _line(self, line: int, text: str) -> str:
        """Write one problem; letters that a terminal would obey or hide are escaped."""
        return visible(f"{self._file}:{line}: {text}")


class Section:
    """One table of the file.

    Parameters
    ----------
    table : object
        What stands there; anything but a table is a problem and reads as an empty one.
    path : Path
        Where it stands in the file.
    form : str
        Its name in `KEYS`, which says what keys it may have.
    problems : Problems
        Where problems go.
    free : bool
        Whether keys beyond `KEYS` are names of the shop's choosing.
    """

    def __init__(self, table: object, path: Path, form: str, problems: Problems, *,
                 free: bool = False) -> None:  # fmt: skip
        self.path, self.problems = path, problems
        self._form = form
        if not isinstance(table, dict):
            problems.note(path, f"this must be a section, {_header(path)} on a line of its own")
            table = {}
        self.table: dict[str, Any] = table
        if not free:
            for key in table:
                if key not in KEYS[form]:
                    problems.note(path, _unknown(key, form), key=key)

    def take(self, key: str, read: Callable[[Any], T], default: T) -> T:
        """Give the value of a key, or the default when it is absent or cannot be used."""
        if key not in self.table:
            return default
        try:
            return read(self.table[key])
        except Wrong as wrong:
            self.problems.note(self.path, str(wrong), key=key)
            return default

    def need(self, key: str, read: Callable[[Any], T], instead: T, example: str) -> T:
        """Give the value of a key that must be there; note it when it is not."""
        if key not in self.table:
            self.wrong(f"{key} is missing; write for example: {example}")
            return instead
        return self.take(key, read, instead)

    def wrong(self, words: str, key: str = "") -> None:
        """Note a problem of this section."""
        self.problems.note(self.path, words, key=key)

    def warn(self, words: str, key: str = "") -> None:
        """Note a warning about this section."""
        self.problems.note(self.path, words, key=key, warning=True)

    def within(self, key: str, form: str, *, free: bool = False) -> "Section":
        """Give the table at a key as a section; an empty one when it is absent."""
        return Section(self.table.get(key, {}), (*self.path, key), form, self.problems, free=free)

    def each(self, key: str, form: str) -> Iterator["Section"]:
        """Give every element of an array of tables."""
        rows = self.table.get(key, [])
        if not isinstance(rows, list):
            name = ".".join([*(str(part) for part in self.path), key])
            self.wrong(f"there can be several of these: write [[{name}]]", key)
            return
        for number, row in enumerate(rows):
            yield Section(row, (*self.path, key, number), form, self.problems)

    def named(self, key: str, form: str, *, free: bool = False) -> Iterator[tuple[str, "Section"]]:
        """Give every table below a key with its name, in the order of the file."""
        tables = self.table.get(key, {})
        if not isinstance(tables, dict):
            self.wrong(f"this must be sections with a name, like [{_header(self.path)}.{key}.NAME]",
                       key)  # fmt: skip
            return
        for name, table in tables.items():
            yield name, Section(table, (*self.path, key, name), form, self.problems, free=free)


def _unknown(key: str, form: str) -> str:
    """Say that a key is not known here, and what was meant."""
    what = "section" if form == "" else "key"
    near = nearest(key, KEYS[form])
    if near and key not in {"id", "from", "include"}:
        return f"there is no such {what}{near}"
    if key in INSTEAD:
        return f"there is no such {what}; {INSTEAD[key]}"
    homes = [_shown(home) for home, keys in KEYS.items() if key in keys]
    if homes:
        return f"this {what} does not belong here; it goes into {' or '.join(homes)}"
    anywhere = nearest(key, [word for keys in KEYS.values() for word in keys if len(word) > 4])
    return f"there is no such {what}{anywhere or '; known here: ' + ', '.join(KEYS[form])}"


def visible(text: str) -> str:
    """Escape every letter that does not print as itself."""
    return "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in text)


def _shown(form: str) -> str:
    return f"[{form}]" if form else "the top of the file"


def _header(path: Path) -> str:
    """Write the header of a section as the file shows it."""
    names = ".".join(part for part in path if isinstance(part, str))
    if not names:
        return ""
    return f"[[{names}]]" if isinstance(path[-1], int) else f"[{names}]"

"""Where sealed things lie in the data folder, and what is sealed already. Loads no pyarrow.

history/samples/DAY/MACHINE.parquet     every sample of a day (UTC)
history/minutes/DAY/MACHINE.parquet     least, mean, greatest and last of every minute
history/hours/DAY/MACHINE.parquet       the same of every hour
history/parts/DAY/MACHINE/*.parquet     cut out of a recording, not yet joined into the day
history/sealed.json                     recordings whose samples all stand in files
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import orjson

from condmon.history.recordings import Stream
from condmon.store.durable import make_folder, write_text

Kind = Literal["samples", "minutes", "hours"]
KINDS: tuple[Kind, ...] = ("samples", "minutes", "hours")


class Places:
    """The paths of one data folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "history"
        self._sealed = self.root / "sealed.json"

    def sheet(self, kind: Kind, day: str, machine: str) -> Path:
        """One machine's file of a day."""
        return self.root / kind / day / f"{machine}.parquet"

    def part(self, day: str, machine: str, stream: Stream, number: int) -> Path:
        """A piece cut out of a recording; the order of names is the order of arrival."""
        place = f"{stream.first:016d}-{number:04d}.parquet"
        return self.root / "parts" / day / machine / place

    def parts(self, day: str, machine: str) -> list[Path]:
        """The pieces of a machine's day in the order of arrival."""
        return sorted((self.root / "parts" / day / machine).glob("*.parquet"))

    def unfinished(self) -> Iterator[tuple[str, str]]:
        """(day, machine) of all pieces that wait."""
        for folder in sorted((self.root / "parts").glob("*/*")):
            if any(folder.glob("*.parquet")):
                yield folder.parent.name, folder.name

    def days(self, kind: Kind = "samples") -> list[str]:
        """Days of which there are files, oldest first."""
        return sorted(folder.name for folder in (self.root / kind).glob("????-??-??"))

    def machines(self, day: str) -> list[str]:
        """Machines of which there are samples on a day."""
        whole = {path.stem for path in (self.root / "samples" / day).glob("*.parquet")}
        return sorted(whole | {path.name for path in (self.root / "parts" / day).glob("*")})

    def sealed(self) -> dict[str, int]:
        """Name of each sealed recording -> its last offset then; an unreadable file means none."""
        try:
            found: Any = orjson.loads(self._sealed.read_bytes())
            return {str(name): int(last) for name, last in found.items()}
        except (OSError, ValueError, AttributeError, TypeError):
            return {}

    def is_sealed(self, stream: Stream) -> bool:
        """Whether all its samples stand in files."""
        return self.sealed().get(stream.path.name, 0) >= stream.last

    def put_sealed(self, sealed: dict[str, int]) -> None:
        """Write down what is sealed."""
        make_folder(self.root)
        write_text(self._sealed, orjson.dumps(sealed, option=orjson.OPT_SORT_KEYS).decode())

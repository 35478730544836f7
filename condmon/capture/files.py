"""Opening recordings and captures: what kind a file is, compressed or not, and how far it goes."""

import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Literal, Protocol

from condmon.engine.records import Batch
from condmon.errors import UsageError

CHUNK_BYTES = 16_384  # what is lost at most of a compressed file that was cut off
NAMED_MAX = 20
UNPACKED_BYTES_MAX = 2 << 30  # a packed file may be made to have no end

Kind = Literal["recording", "parquet", "csv"]


@dataclass(slots=True)
class Notes:
    """What a reader has to tell beside the records."""

    warnings: list[str] = field(default_factory=list)
    lines_bad: int = 0
    rows_unknown: int = 0
    cut: bool = False  # a file ended before its end
    last_us: int | None = None  # the newest arrival
    bytes_read: int = 0
    bytes_total: int = 0

    def warn(self, text: str) -> None:
        """Keep a warning; of many only the first are kept."""
        if len(self.warnings) < NAMED_MAX:
            self.warnings.append(text)
        elif len(self.warnings) == NAMED_MAX:
            self.warnings.append("... and more of the same kind")

    def bad_line(self, path: Path, line: int, why: str) -> None:
        """Count a line that is put aside."""
        self.lines_bad += 1
        self.warn(f"{path}:{line}: {why}; this line was put aside")


class Source(Protocol):
    """One file to read."""

    opened: "Opened"
    first_us: int

    def batches(self, notes: Notes) -> Iterator[Batch]:
        """Read the file from its start."""


class CutOffError(Exception):
    """The file ends before its end; the message says where."""


class Opened:
    """A file whose kind is known.

    Attributes
    ----------
    kind : "recording", "parquet" or "csv"
    size : int
        Bytes on disk.
    """

    def __init__(self, path: Path, kind: Kind, packing: str, size: int) -> None:
        self.path, self.kind, self.packing, self.size = path, kind, packing, size
        self._raw: IO[bytes] | None = None

    def position(self) -> int:
        """How many of the bytes on disk are read."""
        raw = self._raw
        return raw.tell() if raw is not None and not raw.closed else self.size

    def chunks(self) -> Iterator[bytes]:
        """Unpacked content; raises CutOffError after the last readable bytes of a torn file."""
        with self.path.open("rb") as raw:
            self._raw = raw
            yield from _unpack(raw, self.packing)

    def content(self) -> bytes:
        """Read all of it unpacked; UsageError where it has no end."""
        parts, size = [], 0
        for chunk in self.chunks():
            parts.append(chunk)
            size += len(chunk)
            if self.packing and size > UNPACKED_BYTES_MAX:
                raise UsageError(
                    f"{self.path}: unpacks to more than {UNPACKED_BYTES_MAX >> 20} MB, which no "
                    "capture does; unpack it by hand if it is one"
                )
        return b"".join(parts)


def _unpack(raw: IO[bytes], packing: str) -> Iterator[bytes]:
    try:
        if packing == "gz":
            with gzip.GzipFile(fileobj=raw) as stream:
                while chunk := stream.read1(CHUNK_BYTES):
                    yield chunk
        elif packing == "zst":
            import pyarrow as pa  # not in the daemon, which needs none of it

            with pa.CompressedInputStream(pa.PythonFile(raw, "r"), "zstd") as stream:
                while chunk := stream.read(CHUNK_BYTES):
                    yield chunk
        else:
            while chunk := raw.read(1 << 20):
                yield chunk
    except (EOFError, OSError, zlib.error) as error:
        raise CutOffError(str(error).rstrip(".")) from error


def open_file(path: Path, *, foreign: bool = False) -> Opened:
    """Find out what a file is; UsageError in words if it is nothing we read.

    With `foreign`, any text that is no recording is a CSV.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise UsageError(f"{path}: this is a folder; name the files in it")
        with path.open("rb") as raw:
            magic = raw.read(4)
    except FileNotFoundError:
        raise UsageError(f"{path}: there is no such file") from None
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from None
    packing = "gz" if magic[:2] == b"\x1f\x8b" else "zst" if magic == b"\x28\xb5\x2f\xfd" else ""
    if not size:
        raise UsageError(f"{path}: the file is empty; nothing was recorded in it")
    kind = _kind(Opened(path, "csv", packing, size), foreign=foreign)
    return Opened(path, kind, packing, size)


def _kind(opened: Opened, *, foreign: bool) -> Kind:
    head = b""
    try:
        for chunk in opened.chunks():
            head += chunk
            if len(head) >= CHUNK_BYTES:
                break
    except CutOffError:
        if not head:
            raise UsageError(
                f"{opened.path}: compressed, but cut off or damaged before anything readable"
            ) from None
    if head.startswith(b"PAR1"):
        return "parquet"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if b"\0" not in head:
        first = text.split(b"\n", 1)[0].lower()
        if b"time" in first and b"signal" in first and not first.startswith(b"{"):
            return "csv"
        if any(line.lstrip().startswith(b"{") for line in text.split(b"\n")):
            return "recording"  # a bad line before the first good one does not hide what it is
        if foreign and text:
            return "csv"
    if not text:
        raise UsageError(f"{opened.path}: holds nothing but blanks")
    raise UsageError(
        f"{opened.path}: neither a recording (JSON lines with at, topic and payload) nor a capture "
        "(Parquet, or CSV whose first line names the columns time, machine, signal, value); "
        "--columns tells what the columns of another CSV are"
    )

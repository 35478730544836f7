"""`condmon record`: write what a broker sends into a recording, as it comes, for a later replay.

Uses a session of its own that ends with it, so the daemon's messages are not touched.
"""

import argparse
import gzip
import logging
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pyarrow as pa

from condmon import log
from condmon.capture.recording import line_of
from condmon.engine.decode import Arrived
from condmon.errors import CondmonError, UsageError
from condmon.mqtt import listening


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon record` takes."""
    listening.arguments(parser)
    parser.add_argument(
        "--for",
        dest="length",
        metavar="TIME",
        help='how long, such as "2 min" (default: until Ctrl-C)',
    )
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        required=True,
        metavar="FILE",
        help="a new file; packed where the name ends in .gz or .zst",
    )


def run(args: argparse.Namespace) -> int:
    """Record until the time is over or Ctrl-C. Raises UsageError and CondmonError."""
    broker, topics = listening.whom(args, "record")
    length_s = listening.length_s(args.length)
    stop = listening.until_ended()
    log.set_up(sys.stderr.buffer, level=logging.CRITICAL)  # its own words are enough
    with ExitStack() as stack:
        stream = _opened(args.output, stack)

        def keep(messages: Sequence[tuple[Arrived, int]]) -> None:
            if messages:
                stream.write(b"".join(line_of(message, qos) for message, qos in messages))
                stream.flush()

        heard = listening.Listening(broker, topics, keep, show=sys.stderr.isatty())
        try:
            heard.run(stop, length_s)
        except OSError as error:
            raise CondmonError(
                f"cannot write {args.output}: {error.strerror}. What was written "
                "until then is complete; make room and record again."
            ) from error
        except CondmonError:
            if not heard.messages:
                args.output.unlink()
            raise
    print(
        f"condmon: {heard.messages} messages of {len(heard.topics)} topics written to "
        f"{args.output}",
        file=sys.stderr,
    )
    return 0


def _opened(path: Path, stack: ExitStack) -> Any:
    """Open a new file, packed as its name says."""
    try:
        raw = stack.enter_context(path.open("xb"))
    except FileExistsError as error:
        raise UsageError(
            f"{path} is already there; a recording is never written over. Choose another name."
        ) from error
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}") from error
    if path.suffix == ".gz":
        return stack.enter_context(gzip.GzipFile(fileobj=raw, mode="wb", mtime=0))
    if path.suffix == ".zst":
        return stack.enter_context(pa.CompressedOutputStream(pa.PythonFile(raw, "w"), "zstd"))
    return raw

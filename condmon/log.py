"""The log: JSON lines on stdout by structlog, and repeated trouble counted instead of repeated.

Event names are constant phrases, facts are keys. There is never a line per message. The service
manager keeps the files.
"""

import contextlib
import json
import logging
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, cast

import orjson
import structlog
from structlog.typing import EventDict, FilteringBoundLogger, WrappedLogger

_AGAIN_AFTER_S = (60.0, 600.0, 3600.0)  # then every hour
_EVENTS_MAX = 1000  # different troubles remembered


def set_up(stream: BinaryIO | None = None, level: int = logging.INFO) -> None:
    """Make every logger of the process write JSON lines to `stream` (standard output)."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
            _exceptions_in_words,
            structlog.processors.JSONRenderer(serializer=_line),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.BytesLoggerFactory(
            cast("BinaryIO", _Lenient(stream or sys.stdout.buffer))
        ),
        cache_logger_on_first_use=True,
    )


def get(module: str) -> FilteringBoundLogger:
    """The logger of one module of the shell."""
    logger: FilteringBoundLogger = structlog.get_logger(module=module)
    return logger


class _Lenient:
    """A stream whose refusals are lost: a full log disk must not stop the watch."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def write(self, line: bytes) -> None:
        with contextlib.suppress(OSError, ValueError):  # full, broken or closed
            self._stream.write(line)

    def flush(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()


def _line(event: EventDict, **_: Any) -> bytes:
    try:
        return orjson.dumps(event, default=str, option=orjson.OPT_NON_STR_KEYS)
    except TypeError:  # numbers over 64 bits, half characters: slower, but it can
        return json.dumps(event, default=str, skipkeys=True).encode()


def _exceptions_in_words(_: WrappedLogger, __: str, event: EventDict) -> EventDict:
    """An exception given as `error` is told by its kind and words, in one line."""
    error = event.get("error")
    if isinstance(error, BaseException):
        event["error"] = f"{type(error).__name__}: {error}"
    return event


def fault_words(error: BaseException) -> str:
    """A fault of ours by its kind and place: its text, and a traceback's, could hold a secret."""
    frame = error.__traceback__
    while frame and frame.tb_next:
        frame = frame.tb_next
    where = f"{Path(frame.tb_frame.f_code.co_filename).name}:{frame.tb_lineno}" if frame else "?"
    return f"a fault in condmon itself: {type(error).__name__} at {where}"


class Repeats:
    """Tells a trouble the first time, then counts it and tells the count after longer and longer.

    Parameters
    ----------
    log : FilteringBoundLogger
        Where lines go.
    monotonic_s : callable
        A clock that no one sets.
    """

    def __init__(self, log: FilteringBoundLogger, monotonic_s: Callable[[], float]) -> None:
        self._log = log
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._seen: dict[str, list[float]] = {}  # event -> [told at, times told, not told since]

    def tell(self, level: str, event: str, key: str = "", **facts: Any) -> None:
        """Log `event`, unless the same event and key were told a short while ago."""
        name = f"{event} {key}"
        now_s = self._monotonic_s()
        with self._lock:
            if len(self._seen) >= _EVENTS_MAX and name not in self._seen:
                self._seen.clear()
            row = self._seen.get(name)
            if row is None:
                self._seen[name] = [now_s, 1.0, 0.0]
            elif now_s - row[0] < _AGAIN_AFTER_S[min(int(row[1]), len(_AGAIN_AFTER_S)) - 1]:
                row[2] += 1
                return
            else:
                facts["times_more"] = int(row[2]) + 1
                row[:] = [now_s, row[1] + 1, 0.0]
        getattr(self._log, level)(event, **facts)

    def over(self, event: str, key: str = "") -> None:
        """The trouble has ended: the next one is told at once."""
        with self._lock:
            self._seen.pop(f"{event} {key}", None)

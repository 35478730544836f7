"""Reads the next batches while the last are judged: on a second core, and no further than a few."""

import threading
from collections.abc import Iterator
from queue import Empty, Full, Queue

from condmon.engine.records import Batch

AHEAD = 3
LOOK_S = 0.2


def ahead(batches: Iterator[Batch]) -> Iterator[Batch]:
    """The same batches in the same order, read by a thread; errors come where they stand."""
    waiting: Queue[tuple[Batch | None, BaseException | None]] = Queue(AHEAD)
    left = threading.Event()

    def put(one: tuple[Batch | None, BaseException | None]) -> bool:
        while not left.is_set():
            try:
                waiting.put(one, timeout=LOOK_S)
            except Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for batch in batches:
                if not put((batch, None)):
                    return
        except BaseException as error:  # noqa: BLE001 - told where it would have been raised
            put((None, error))
        else:
            put((None, None))

    reader = threading.Thread(target=read, name="reader", daemon=True)
    reader.start()
    try:
        while True:
            batch, error = _next(waiting, reader)
            if error is not None:
                raise error
            if batch is None:
                return
            yield batch
    finally:
        left.set()


def _next(
    waiting: Queue[tuple[Batch | None, BaseException | None]], reader: threading.Thread
) -> tuple[Batch | None, BaseException | None]:
    while True:
        try:
            return waiting.get(timeout=LOOK_S)
        except Empty:
            if not reader.is_alive() and waiting.empty():
                raise AssertionError("the reader always says how it ended") from None

"""Files over processes of this computer. A process that dies takes no file with it."""

import multiprocessing
import os
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

from condmon.replaying.days import Day, Under, work

TRIES = 3
AHEAD = 2
"""Files handed over per process, so that none waits for the next."""

FILES_A_PROCESS = 50
"""Then it is replaced, whatever memory it has gathered."""

DIED = (
    "the process that worked on it ended by itself, three times; perhaps memory is short: use "
    "fewer --workers, or look at the log of the system"
)


Work = Callable[[Path, Under], Day]


def each(
    paths: Sequence[Path], under: Under, workers: int, do: Work = work
) -> Iterator[tuple[int, Day]]:
    """(place in `paths`, what came of it), in any order; memory holds only what is under way.

    When a process dies, all that were under way are done again, each alone in a process of its own,
    so that the one that kills it can break no other's work.
    """
    waiting = deque(range(len(paths)))
    suspects: deque[int] = deque()
    tries: Counter[int] = Counter()
    while waiting or suspects:
        queue, size = (waiting, workers) if waiting else (suspects, 1)
        lost: list[int] = []
        yield from _round(paths, under, do, queue, size, lost)
        for place in lost:
            tries[place] += 1
            if tries[place] >= TRIES:
                yield place, Day((), why=DIED)
            else:
                suspects.append(place)


def _round(
    paths: Sequence[Path], under: Under, do: Work, queue: deque[int], size: int, lost: list[int]
) -> Iterator[tuple[int, Day]]:
    """One pool until the queue is empty or a process died; then `lost` says what was under way."""
    ahead = size * AHEAD if size > 1 else 1
    running: dict[Future[Day], int] = {}
    with _pool(size) as pool:
        try:
            while queue or running:
                while queue and len(running) < ahead:
                    place = queue.popleft()
                    running[pool.submit(do, paths[place], under)] = place
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    day = future.result()
                    yield running.pop(future), day
        except BrokenProcessPool:
            for future, place in running.items():
                if future.done() and future.exception() is None:
                    yield place, future.result()
                else:
                    lost.append(place)
        except BaseException:
            for future in running:
                future.cancel()
            raise


def _pool(size: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        size, multiprocessing.get_context("spawn"), _begin, max_tasks_per_child=FILES_A_PROCESS
    )


def cores() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0))


def _begin() -> None:
    """One core a process: reading does not spread over threads."""
    import pyarrow as pa

    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    pa.set_cpu_count(1)

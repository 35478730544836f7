"""Files over the workers of a running Dask cluster, given the address of its scheduler.

The workers need this version of condmon and the files under the same paths, as on a shared disk.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from condmon import __version__
from condmon.errors import CondmonError
from condmon.replaying.days import Day, Under, work

CONNECT = "15s"
TRIES = 3
AHEAD = 2
EXTRA = "pip install 'condmon[cluster]'"
DIED = "the workers that were given it were lost, three times; look at the cluster's log"


def each(paths: Sequence[Path], under: Under, address: str) -> Iterator[tuple[int, Day]]:
    """(place in `paths`, what came of it), in any order; what a lost worker had is done again.

    Raises CondmonError where there is no such cluster or its workers have another condmon.
    """
    client = _client(address)
    try:
        _same_version(client)
        yield from _done(client, [path.resolve() for path in paths], under)
    finally:
        client.close()


def _done(client: Any, paths: Sequence[Path], under: Under) -> Iterator[tuple[int, Day]]:
    from distributed import as_completed

    shared = client.scatter(under, broadcast=True)
    waiting, tries = deque(range(len(paths))), dict.fromkeys(range(len(paths)), 0)
    running: dict[str, int] = {}
    finished: Any = as_completed(loop=client.loop)  # type: ignore[no-untyped-call]
    ahead = max(1, sum(client.nthreads().values())) * AHEAD
    while waiting or running:
        while waiting and len(running) < ahead:
            place = waiting.popleft()
            tries[place] += 1
            future = client.submit(work, paths[place], shared, pure=False, retries=TRIES - 1)
            running[future.key] = place
            finished.add(future)
        future = next(finished)
        place = running.pop(future.key)
        if future.status == "finished":
            yield place, future.result()
        elif tries[place] < TRIES:
            waiting.append(place)
        else:
            yield place, Day((), why=f"{DIED} ({type(future.exception()).__name__})")
        future.release()


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise CondmonError(
            f"--scheduler needs the library distributed, which is not installed: {EXTRA}"
        ) from None
    try:
        return Client(address, timeout=CONNECT, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise CondmonError(
            f"no scheduler answers at {address}: {str(error).splitlines()[0][:200]}. Give the "
            "address that it printed when it started, such as tcp://10.0.0.5:8786"
        ) from error


def _same_version(client: Any) -> None:
    try:
        found = client.run(_version)
    except Exception as error:
        raise CondmonError(
            f"the cluster's workers cannot load condmon ({error}); install version {__version__} "
            "on each"
        ) from error
    if not found:
        raise CondmonError("the scheduler has no workers; start some and try again")
    other = sorted({f"{where}: {one}" for where, one in found.items() if one != __version__})
    if other:
        raise CondmonError(f"this is condmon {__version__}, but {', '.join(other)}")


def _version() -> str:
    return __version__

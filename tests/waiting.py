"""Wait for a fact with a deadline instead of sleeping."""

import time
from collections.abc import Callable


def until(
    fact: Callable[[], object], seconds: float, what: str = "the fact", every_s: float = 0.01
) -> None:
    """Ask again and again; AssertionError when it is not so in time."""
    deadline = time.monotonic() + seconds
    while not fact():
        assert time.monotonic() < deadline, f"not within {seconds} s: {what}"
        time.sleep(every_s)

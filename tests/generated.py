"""Tests that generate their input: how many inputs each gets, and what one input may cost.

    CONDMON_EXAMPLES=1000000 deploy/test -k test_any_

shares a million inputs among them, each by its `per_mille` (tests/test_generated.py adds them up).
"""

import functools
import os
import resource
import signal
from collections import Counter
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, settings

TOTAL = int(os.environ.get("CONDMON_EXAMPLES", "0"))
INPUT_S = 20.0
INPUT_MB = 300
"""What one input may take, in processor time; libraries that the first one imports are in it."""
counted: Counter[str] = Counter()


def generated(usual: int, per_mille: int) -> Callable[[Any], Any]:
    """Give a test `usual` inputs in the ordinary run, or its share of those that were asked for."""
    count = max(1, TOTAL * per_mille // 1000) if TOTAL else usual
    more = {"database": None} if TOTAL else {}

    def asked(test: Any) -> Any:
        test.hypothesis.inner_test = bounded(test.hypothesis.inner_test)
        return settings(max_examples=count, deadline=None, print_blob=False,
                        suppress_health_check=list(HealthCheck), **more)(test)  # fmt: skip

    return asked


def bounded(test: Callable[..., None]) -> Callable[..., None]:
    """Count an input; fail one that hangs or takes much memory."""

    @functools.wraps(test)
    def once(*words: Any, **names: Any) -> None:
        counted[test.__name__] += 1
        before_mb = peak_mb()
        signal.signal(signal.SIGPROF, _too_long)
        signal.setitimer(signal.ITIMER_PROF, INPUT_S)
        try:
            test(*words, **names)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        took_mb = peak_mb() - before_mb
        assert took_mb < INPUT_MB, f"one input took {took_mb:.0f} MB"

    return once


def _too_long(*_: object) -> None:
    raise AssertionError(f"one input took more than {INPUT_S} s of a processor")


def peak_mb() -> float:
    """The most memory that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

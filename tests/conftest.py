"""Fixtures that many tests share, and a turn of the screw for those that generate their input.

CONDMON_EXAMPLES=100000 deploy/test -k any_    asks each generated test for so many inputs
"""

import os
import resource
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.brokers import Mosquitto

EXAMPLES = int(os.environ.get("CONDMON_EXAMPLES", "0"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Ask generated tests for more inputs, when that is wanted."""
    for item in items if EXAMPLES else []:
        test = getattr(item, "obj", None)
        if hasattr(test, "hypothesis"):
            test._hypothesis_internal_use_settings = settings(
                max_examples=EXAMPLES, deadline=None, database=None,
                suppress_health_check=list(HealthCheck),
            )  # fmt: skip


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """With many inputs: the memory that they took at most."""
    if EXAMPLES:
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        terminalreporter.write_line(f"{EXAMPLES} inputs a test, peak memory {peak_mb:.0f} MB")


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker that keeps its sessions over a restart."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@pytest.fixture(scope="session")
def driver():
    """What drives browsers; one process can have only one of them."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as one:
        yield one


@pytest.fixture(scope="session")
def browser(driver):
    """A real Chromium."""
    from tests.web.browsers import chromium

    with chromium(driver) as one:
        yield one

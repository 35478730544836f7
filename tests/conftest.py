"""Fixtures that many tests share."""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.brokers import Mosquitto
from tests.generated import TOTAL, counted, peak_mb


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests first: a file is one process's work, and the last should be short."""
    slow = Counter(item.path for item in items if item.get_closest_marker("slow"))
    items.sort(key=lambda item: -slow[item.path])


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """With many inputs: how many there were, and the most memory that was held."""
    if TOTAL:
        terminalreporter.write_line(f"{sum(counted.values())} inputs, peak {peak_mb():.0f} MB")
        for name, count in sorted(counted.items()):
            terminalreporter.write_line(f"  {count:8} {name}")


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

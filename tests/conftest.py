"""Fixtures that many tests share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.brokers import Mosquitto
from tests.unfinished import REASON, UNFINISHED


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker that keeps its sessions over a restart."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is not finished; see tests/unfinished.py."""
    for item in items:
        if item.nodeid.partition("[")[0] in UNFINISHED:
            item.add_marker(pytest.mark.xfail(reason=REASON, strict=False))

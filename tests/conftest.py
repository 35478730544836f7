"""Fixtures that many tests share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.brokers import Mosquitto


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker that keeps its sessions over a restart."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()

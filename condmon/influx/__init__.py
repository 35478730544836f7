"""The mirror: hands what was recorded to a time-series server by the InfluxDB v2 write interface.

The recorder and the journal are its outbox: `cursor` remembers how far the server has taken them,
`lines` writes line protocol, `server` makes one request and says what came of it, `queue` halves
what is too large and finds the line that is refused, `mirror` is the thread that does it all.
"""

from collections.abc import Callable

from condmon.clock import Clock
from condmon.config import Config
from condmon.engine.records import Record
from condmon.influx.mirror import Mirror
from condmon.life import Life
from condmon.store.recorder import Recorder

__all__ = ["Mirror", "NoMirror", "mirror"]


class NoMirror:
    """Stands where no server is configured."""

    def start(self) -> None:
        """Nothing is to be done."""

    def stop(self) -> None:
        """Nothing is to be done."""

    def mirrored(self) -> None:
        """No server has to have anything before it may go."""


def mirror(
    config: Config,
    recorder: Recorder,
    clock: Clock,
    put_action: Callable[[Record], None],
    life: Life,
) -> Mirror | NoMirror:
    """Make the mirror that the configuration asks for."""
    if config.influx is None:
        return NoMirror()
    folder, settings = config.store.path, config.settings
    return Mirror(config.influx, folder, settings, recorder, clock, put_action, life=life)

"""condmon as a machine that is watched: its link, and how it fares (Health records). Pure."""

from condmon.engine.settings import CONDMON, Machine, Settings, Signal

LINK = "link"

PARTS = ("delivery", "mirror", "chores", "page", "commands")
"""Of condmon, what works in threads of its own beside the turn."""


def hangs(part: str) -> str:
    """Name of the figure that tells for how long a part has hung."""
    return f"{part}_hangs_s"


HEALTH = {
    "disk_free_share": "1",
    "clock_off_s": "s",
    "outbox_age_s": "s",
    "stream_silent_s": "s",
    "store_behind_s": "s",
    "certificate_days": "d",
    "mirror_away_s": "s",
    "log_faults": "1",
    "clock_unset_s": "s",
    "unwritten": "1",
    "link_drops": "1",
    **{hangs(part): "s" for part in PARTS},
}
"""Name and unit of each figure."""


def itself(settings: Settings) -> Machine:
    """Give condmon itself, its signals counted on behind those of the shop."""
    start = len(settings.signals)
    link = Signal(start, CONDMON, LINK, "", "state", title="link to the broker")
    signals = (link, *health_signals(start + 1))
    return Machine(CONDMON, "condmon", signals, adjust=settings.own_adjust)


def health_signals(start: int) -> tuple[Signal, ...]:
    """They are signals of condmon itself, from index `start` on."""
    return tuple(
        Signal(start + i, CONDMON, name, "", "measure", unit=unit)
        for i, (name, unit) in enumerate(HEALTH.items())
    )

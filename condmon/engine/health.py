"""How condmon itself fares: the names that Health records carry. Pure."""

from condmon.engine.settings import CONDMON, Signal

HEALTH = {
    "disk_free_share": "1",
    "clock_off_s": "s",
    "outbox_age_s": "s",
    "stream_silent_s": "s",
    "store_behind_s": "s",
    "certificate_days": "d",
    "mirror_away_s": "s",
}
"""Name and unit of each figure."""


def health_signals(start: int) -> tuple[Signal, ...]:
    """They are signals of condmon itself, from index `start` on."""
    return tuple(
        Signal(start + i, CONDMON, name, "", "measure", unit=unit)
        for i, (name, unit) in enumerate(HEALTH.items())
    )

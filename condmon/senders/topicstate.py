"""How the alert topic does, for who shows it: a small file beside the journal."""

from pathlib import Path

import orjson

STATE_FILE = "alert-topic.json"


def put_topic_state(folder: Path, at_us: int, trouble: str) -> None:
    """Write down how it does; "" means that it agrees. Raises OSError."""
    fresh = folder / f"{STATE_FILE}.new"
    fresh.write_bytes(orjson.dumps({"at_us": at_us, "trouble": trouble}))
    fresh.replace(folder / STATE_FILE)


def topic_state(folder: Path) -> tuple[int, str] | None:
    """When the alert topic was last looked at, and its trouble ("": it agrees); None: never."""
    try:
        found = orjson.loads((folder / STATE_FILE).read_bytes())
        return int(found["at_us"]), str(found["trouble"])
    except (OSError, ValueError, KeyError, TypeError):
        return None

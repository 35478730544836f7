"""What the command line asks of a running daemon: a file in `asked/` of the data folder.

Whoever may write there runs as condmon's user or as root and could change the data themselves; so a
file there needs no password. A file is removed before it is taken up: an act may be lost by a crash
in that instant, never done twice; the command line waits until the log tells of it.
"""

import os
import threading
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import orjson

from condmon import log
from condmon.engine.records import FILED_CONTENT_MAX, Action, Filed, Record
from condmon.errors import StoreError
from condmon.life import Life

FOLDER = "asked"
EVERY_S = 0.25
BYTES_MAX = 8000 + 6 * FILED_CONTENT_MAX  # as escaped text
_log = log.get("asked")


class Asked:
    """Takes up what was asked, in a thread of its own."""

    def __init__(
        self, folder: Path, put_action: Callable[[Record], None], life: Life | None = None
    ) -> None:
        self._folder = folder / FOLDER
        self._put_action = put_action
        self._stop = (life or Life()).pulse("commands")
        self.thread = threading.Thread(target=self._run, name="asked", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self.thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._stop.set()
        if self.thread.is_alive():
            self.thread.join(2.0)

    def look(self) -> int:
        """Take up every whole file, oldest first; how many there were."""
        try:
            found = sorted(self._folder.glob("*.json"))
        except OSError:
            return 0
        for path in found:
            try:
                content = path.read_bytes()[: BYTES_MAX + 1]
                path.unlink()
                self._put_action(_record(orjson.loads(content)))
            except (OSError, TypeError, ValueError) as error:
                _log.error("what was asked cannot be taken up", file=path.name, error=error,
                           meaning="nothing was done")  # fmt: skip
        return len(found)

    def _run(self) -> None:
        while not self._stop.wait(EVERY_S):
            self.look()


def _record(asked: dict[str, Any]) -> Action | Filed:
    """An action, or with `what` something for the service book. Raises TypeError."""
    return Filed(**asked) if "what" in asked else Action(**asked)


def ask(folder: Path, action: Action | Filed) -> None:
    """Leave an action for the daemon of a data folder. Raises StoreError."""
    asked = folder / FOLDER
    try:
        asked.mkdir(mode=0o770, exist_ok=True)
        new = asked / f"{action.at_us}-{os.getpid()}.new"
        new.write_bytes(orjson.dumps(asdict(action)))
        new.rename(new.with_suffix(".json"))
    except OSError as error:
        raise StoreError(
            f"{asked}: cannot be written: {error.strerror}. Nothing was done. Run the command as "
            "the user condmon runs as, for example: sudo -u condmon condmon log ..."
        ) from error

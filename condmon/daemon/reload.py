"""The configuration read again while condmon runs, on SIGHUP.

One that cannot be used changes nothing: its problems are told and the old one goes on. One that can
be used is taken by ending in order and starting anew in the same process, so that there is one way
to come up and no half-changed service; the broker keeps what comes meanwhile.
"""

import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from condmon import log
from condmon.config import Config, load
from condmon.errors import CondmonError

_log = log.get("reload")


class Reload:
    """Reads the file in a thread of its own, for a signal may come at any moment.

    Parameters
    ----------
    path : Path
        The configuration's file.
    stop : threading.Event
        Set when a changed configuration is to be taken.
    note : callable
        Takes a line for the machine event log.
    """

    def __init__(self, path: Path, stop: threading.Event, note: Callable[[str], None]) -> None:
        self.wanted = False
        try:
            self._text: bytes | None = path.read_bytes()
        except OSError:  # it was there a moment ago; the first file that can be read is then taken
            self._text = None
        self._path, self._stop, self._note = path, stop, note
        self._one = threading.Lock()

    def ask(self, *_: object) -> None:
        """Take the signal."""
        threading.Thread(target=self.look, name="reload", daemon=True).start()

    def look(self) -> None:
        """Read the file; a changed one that can be used ends this service."""
        with self._one:
            try:
                config, text = load(self._path), self._path.read_bytes()
            except (CondmonError, OSError) as error:
                self._refuse(error)
                return
            self._take(config, text)

    def again(self) -> None:
        """Begin anew with the changed configuration; does not return."""
        sys.stdout.flush()
        sys.stderr.flush()
        arguments = [sys.executable, *_options(), "-m", "condmon", *sys.argv[1:]]
        os.execv(sys.executable, arguments)  # noqa: S606 - ourselves, with our own words

    def _take(self, config: Config, text: bytes) -> None:
        if text == self._text:
            _log.info("configuration is unchanged", digest=config.settings.digest)
            return
        for warning in config.warnings:
            _log.warning("configuration", warning=warning)
        self._note("the configuration was changed; condmon starts anew with it")
        self.wanted = True
        self._stop.set()

    def _refuse(self, error: Exception) -> None:
        problems = str(error).splitlines()
        for problem in problems:
            _log.error("configuration", problem=problem)
        self._note(
            f"the changed configuration cannot be used ({len(problems)} problem(s), first: "
            f"{problems[0]}); the old one goes on. `condmon check` lists all"
        )


def _options() -> list[str]:
    """Python's own options of this process, such as -W error."""
    return [f"-W{word}" for word in sys.warnoptions]

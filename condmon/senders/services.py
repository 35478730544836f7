"""Services the shop uses already, by the library `apprise` (the extra of that name).

The library tells success or failure and no more, so a failure is tried again for as long as any
other. Its addresses hold passwords: they are read from their file at each use, and nothing here
writes them anywhere. The library loads when the first message goes this way.
"""

import logging
import threading
from typing import Any

from condmon.config.shape import Services
from condmon.errors import SendError
from condmon.senders.letter import Letter
from condmon.senders.wire import secret

PARTLY_TAKEN_MAX = 1000


class ServicesSender:
    """Hands each letter to every service named in one file.

    A service that failed gets it at a later try and the others do not get it again.
    """

    def __init__(self, services: Services) -> None:
        self.name = services.name
        self.urgencies = services.urgencies
        self._services = services
        self._settled: dict[str, set[int]] = {}  # key -> digests of addresses that have it
        self._thread: threading.Thread | None = None

    def send(self, letter: Letter) -> None:
        """Hand one letter over; raises SendError if any service still has to get it."""
        addresses = self._addresses()
        if self._thread and self._thread.is_alive():
            raise SendError("an earlier message is still under way to a service", again=True)
        settled = self._settled.setdefault(letter.key, set())
        failed: list[int] = []
        faults: list[str] = []
        self._thread = threading.Thread(
            target=self._notify, args=(letter, addresses, settled, failed, faults), daemon=True
        )
        self._thread.start()
        self._thread.join(self._services.timeout_s)
        if self._thread.is_alive():
            self._forget_old()
            raise SendError(
                f"a service did not answer within {self._services.timeout_s:g} s", again=True
            )
        if faults or failed:
            self._forget_old()
            raise SendError(faults[0] if faults else self._failure(failed), again=not faults)
        del self._settled[letter.key]

    def _addresses(self) -> list[tuple[int, str]]:
        """(line, address) of every service."""
        lines = secret(self._services.urls_file).splitlines()
        rows = [(number, line.strip()) for number, line in enumerate(lines, 1)]
        return [(number, line) for number, line in rows if line and not line.startswith("#")]

    def _notify(
        self,
        letter: Letter,
        addresses: list[tuple[int, str]],
        settled: set[int],
        failed: list[int],
        faults: list[str],
    ) -> None:
        """One service after the other; runs in a thread of its own, for the library may hang."""
        try:
            library = _library()
            for number, address in addresses:
                if hash(address) in settled:
                    continue
                one = library.Apprise()
                if not one.add(address):
                    faults.append(f"line {number} of {self._services.urls_file.name} is no address "
                                  "that the library knows; put it right")  # fmt: skip
                elif one.notify(title=letter.title, body=letter.text):
                    settled.add(hash(address))
                else:
                    failed.append(number)
        except Exception as error:  # noqa: BLE001 - its words could hold an address
            faults.append(f"the library failed ({type(error).__name__})")

    def _failure(self, lines: list[int]) -> str:
        named = ", ".join(str(line) for line in lines)
        return (f"the service in line {named} of {self._services.urls_file.name} did not take it; "
                "why, the library does not tell")  # fmt: skip

    def _forget_old(self) -> None:
        while len(self._settled) > PARTLY_TAKEN_MAX:
            del self._settled[next(iter(self._settled))]


def _library() -> Any:
    """Load it, and silence its own log, which would show addresses."""
    import apprise

    logging.getLogger("apprise").disabled = True
    return apprise

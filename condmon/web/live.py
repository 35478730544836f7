"""What the turn tells the page: the present view, that something was written, how an action went.

The turn's thread puts things in and never waits; pages take them out in their own threads, open
pages are woken in the page's loop. A page that is slow misses wake-ups, never the newest state.
"""

import asyncio
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple

from condmon import log
from condmon.engine.outputs import Alert, Entry, Output
from condmon.engine.records import Action, ActionName, Record
from condmon.engine.view import View

ACTED_WITHIN_S = 3.0
LISTENERS_MAX = 60
_log = log.get("page")


class Seen(NamedTuple):
    """The newest view and when it was put in."""

    view: View
    put_us: int


class Live:
    """Shared by the turn and the page.

    Parameters
    ----------
    now_us : callable
        Time.
    put_action : callable
        The inbox's door for records.
    """

    def __init__(self, now_us: Callable[[], int], put_action: Callable[[Record], None]) -> None:
        self.now_us = now_us
        self.version = 0  # counts what was written since the start
        self.ended = 0  # counts how often all streams were told to end
        self._put_action = put_action
        self._change = threading.Condition()
        self._seen: Seen | None = None
        self._waiting: dict[int, Entry | None] = {}  # at_us of an action -> what came of it
        self._last_us = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Event] = set()

    # the turn's side

    def put_view(self, view: View) -> None:
        """Take the engine's present view."""
        self._seen = Seen(view, self.now_us())
        self._wake()

    def tell(self, outputs: Sequence[Output]) -> None:
        """Take note of what is in the journal from now on."""
        lasting = [output for output in outputs if isinstance(output, Entry | Alert)]
        if not lasting:
            return
        with self._change:
            self.version += 1
            for output in lasting:
                if isinstance(output, Entry) and output.at_us in self._waiting:
                    before = self._waiting[output.at_us]
                    if before is None or output.kind in {before.kind, "service"}:
                        self._waiting[output.at_us] = output  # not what follows from it elsewhere
            self._change.notify_all()
        self._wake()

    # the page's side

    def seen(self) -> Seen | None:
        """The newest view, None before the first."""
        return self._seen

    def act(
        self,
        do: ActionName,
        by: str,
        *,
        alert: str = "",
        machine: str = "",
        check: str = "",
        text: str = "",
        for_s: float = 0.0,
    ) -> Entry | None:
        """Put a person's action in and wait for what the log says of it; None: not yet."""
        until = round(for_s * 1e6) if for_s else None
        return self.put(
            lambda at_us: Action(
                at_us, do, by, alert, machine, check, text, 0 if until is None else at_us + until
            )
        )

    def put(self, make: Callable[[int], Record]) -> Entry | None:
        """Put a record in and wait for what the log says of it; None: not yet."""
        with self._change:
            at_us = self._last_us = max(self.now_us(), self._last_us + 1)
            self._waiting[at_us] = None
        try:
            self._put_action(make(at_us))
            with self._change:
                self._change.wait_for(lambda: self._waiting[at_us] is not None, ACTED_WITHIN_S)
                return self._waiting[at_us]
        finally:
            with self._change:
                del self._waiting[at_us]

    def note(self, by: str, machine: str, text: str) -> None:
        """Put a line into the log without waiting for it."""
        with self._change:
            at_us = self._last_us = max(self.now_us(), self._last_us + 1)
        self._put_action(Action(at_us, "note", by, machine=machine, text=text))

    # open pages

    def use_loop(self, loop: asyncio.AbstractEventLoop | None) -> None:
        """Wake open pages in this loop from now on; None: in none."""
        self._loop = loop

    @contextmanager
    def listening(self) -> Iterator[asyncio.Event]:
        """An event that is set whenever there is something new; used in the loop only."""
        event = asyncio.Event()
        self._listeners.add(event)
        try:
            yield event
        finally:
            self._listeners.discard(event)

    def end_streams(self) -> None:
        """Tell open pages to go; they come again where the page is served next. In the loop."""
        self.ended += 1
        self._spread()

    def end_streams_soon(self) -> None:
        """The same, from any thread."""
        if self._loop:
            self._loop.call_soon_threadsafe(self.end_streams)

    def has_room(self) -> bool:
        """Whether one more page may listen."""
        return len(self._listeners) < LISTENERS_MAX

    def _wake(self) -> None:
        loop = self._loop
        if loop is None:
            return
        try:
            loop.call_soon_threadsafe(self._spread)
        except RuntimeError:  # the loop has ended meanwhile
            self._loop = None

    def _spread(self) -> None:
        for event in self._listeners:
            event.set()

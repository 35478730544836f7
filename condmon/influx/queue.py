"""What is on its way to the server: oldest first, halved where it is too much or partly bad.

A line is set aside only when the server takes others and refuses this one again: a server that
refuses whatever it is given is in trouble itself, and then nothing is set aside. After many
refusals in a row it is given a line that is surely good, to tell the one from the other.
"""

from collections import deque
from collections.abc import Callable, Sequence

from condmon.influx.server import RefusedError, TooLargeError, TroubleError

LINES_MAX = 5000  # a request
BYTES_MAX = 2_000_000  # a request, before compression
DOUBTFUL_MAX = 20  # lines refused with none taken in between: is the server to blame?
GROW_AFTER = 20  # requests taken at a reduced size before a larger one is tried

Piece = list[bytes]


class Queue:
    """Lines that the server has yet to take.

    Parameters
    ----------
    write : callable
        Sends lines; raises TooLargeError, RefusedError, TroubleError.
    set_aside : callable
        Takes a line that the server will not have, and why.
    probe : callable
        Gives a line that is surely good and says something true.
    """

    def __init__(
        self,
        write: Callable[[Sequence[bytes]], None],
        set_aside: Callable[[bytes, str], None],
        probe: Callable[[], bytes],
    ) -> None:
        self._write = write
        self._probe = probe
        self._set_aside = set_aside
        self._waiting: deque[Piece] = deque()
        self._doubtful: list[tuple[bytes, str]] = []  # refused while none was taken
        self._certain = False  # the server took something after these were refused
        self._lines = LINES_MAX
        self._taken_at_this_size = 0
        self.taken = self.too_old = self.aside = 0  # lines, since the start

    def __bool__(self) -> bool:
        """Whether there is something to send now."""
        return bool(self._waiting) or (self._certain and bool(self._doubtful))

    @property
    def clear(self) -> bool:
        """Whether everything ever put was taken or set aside."""
        return not self._waiting and not self._doubtful

    def put(self, lines: Piece) -> None:
        """Add lines behind those that wait."""
        start = size = 0
        for place, line in enumerate(lines):
            size += len(line) + 1
            if place - start >= LINES_MAX or (size > BYTES_MAX and place > start):
                self._waiting.append(lines[start:place])
                start, size = place, len(line) + 1
        if lines[start:]:
            self._waiting.append(lines[start:])

    def step(self) -> bool:
        """Make one request; whether the server took something. Raises TroubleError."""
        if self._certain and self._doubtful:
            return self._ask_again()
        while len(self._waiting[0]) > self._lines:
            self._halve()
        piece = self._waiting[0]
        try:
            self._write(piece)
        except TooLargeError as error:
            self._lines = max(1, len(piece) // 2)
            self._taken_at_this_size = 0
            self._part(str(error))
        except RefusedError as error:
            if error.too_old:
                self._waiting.popleft()
                self.too_old += len(piece)
                return self._took()
            self._part(str(error))
        else:
            self._waiting.popleft()
            self.taken += len(piece)
            return self._took()
        return False

    def _took(self) -> bool:
        self._certain = True
        self._taken_at_this_size += 1
        if self._taken_at_this_size >= GROW_AFTER and self._lines < LINES_MAX:
            self._lines, self._taken_at_this_size = min(LINES_MAX, self._lines * 2), 0
        return True

    def _halve(self) -> None:
        piece = self._waiting.popleft()
        middle = len(piece) // 2
        self._waiting.extendleft([piece[middle:], piece[:middle]])

    def _part(self, reason: str) -> None:
        """Make smaller pieces of one that was refused; a single line is doubtful."""
        if len(self._waiting[0]) > 1:
            self._halve()
            return
        if not self._doubtful:
            self._certain = False
        [line] = self._waiting.popleft()
        self._doubtful.append((line, reason))
        if len(self._doubtful) >= DOUBTFUL_MAX:
            self._try_probe(reason)

    def _try_probe(self, reason: str) -> None:
        try:
            self._write([self._probe()])
        except (TooLargeError, RefusedError) as error:
            self._waiting.appendleft([line for line, _ in self._doubtful])
            self._doubtful = []
            raise TroubleError(f"the server refuses every line: {reason}", person=True) from error
        self._certain = True

    def _ask_again(self) -> bool:
        line, _ = self._doubtful[0]
        taken = True
        try:
            self._write([line])
            self.taken += 1
        except (TooLargeError, RefusedError) as error:
            taken = False
            self._set_aside(line, str(error))
            self.aside += 1
        self._doubtful.pop(0)
        return taken

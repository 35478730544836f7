"""When the next turn begins: a message is on disk some fifth of a second after it came."""

from condmon.clock import Clock

TURN_S = 0.2  # from the begin of a turn until all that comes in meanwhile is decoded, if few wait


class Rhythm:
    """The begins of turns.

    What took long to decode is fetched that much earlier the next time, or what came just after a
    begin would wait for a whole turn and for the decoding of all that came with it. What takes
    long to write does not count: a slow card must not be written to more often.

    Parameters
    ----------
    clock : Clock
        What time it is.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._began_s = clock.monotonic_s()
        self._decode_s = 0.0

    def wait_s(self) -> float:
        """How long the next turn may wait for more to come in."""
        due_s = self._began_s + TURN_S - min(self._decode_s, TURN_S / 2)
        return min(max(due_s - self._clock.monotonic_s(), 0.0), TURN_S)

    def begin(self) -> None:
        """A turn begins: it has what came in."""
        self._began_s = self._clock.monotonic_s()

    def decoded(self) -> None:
        """All that it has is decoded."""
        self._decode_s = self._clock.monotonic_s() - self._began_s

"""What a service may hold in memory at any moment of a simulated run."""

from condmon.daemon.service import Service
from tests.sim.parts import RECEIVE_MAX, Broker

WAITING_MAX = 400  # batches, while the disk refuses for a minute at three turns a second
OUTPUTS_MAX = 2000
SNAPSHOT_MAX = 400_000  # bytes of the engine's whole state


def too_much(service: Service, broker: Broker) -> list[str]:
    """What is over its bound, in words."""
    held = {
        "messages in the inbox": (len(service.inbox._entries), 2 * RECEIVE_MAX),
        "messages not acknowledged": (len(broker.inflight), RECEIVE_MAX),
        "tickets held back": (len(service._spool._tickets), RECEIVE_MAX),
        "batches that wait for the disk": (service._spool.waiting, WAITING_MAX),
        "outputs that wait for the journal": (len(service._unwritten), OUTPUTS_MAX),
        "messages told from memory": (len(service._directly._seen), 200),
    }
    return [f"{count} {what}" for what, (count, most) in held.items() if count > most]


def at_rest(service: Service) -> list[str]:
    """What is still held once nothing is harmed any more, in words."""
    state = len(service.standing.engine.snapshot())
    held = {
        "batches that wait for the disk": service._spool.waiting,
        "outputs that wait for the journal": len(service._unwritten),
        "tickets held back": len(service._spool._tickets),
        "bytes of state too much": max(0, state - SNAPSHOT_MAX),
    }
    return [f"at rest still {count} {what}" for what, count in held.items() if count]

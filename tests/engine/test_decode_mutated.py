"""Payloads bent out of shape: decode never raises, and costs bounded time and memory.

The seeds are every payload of the fault cases and some of each other form; each is changed a few
times at random places, as noise, a torn write or a faulty gateway would. The ordinary run takes a
few thousand, `-m long` a hundred thousand.
"""

import base64
import json
import math
import random
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from condmon.engine.decode import STRAYS_MAX, Arrived, Decoder
from condmon.engine.edgenodes import topic_of
from condmon.engine.records import BAD, GOOD, NODATA, SUSPECT, Samples
from condmon.engine.settings import Binary, Kind, Machine, Payload, Settings, Signal
from tests.payloads import NoCalendar

CASES = Path(__file__).resolve().parents[1] / "cases" / "input"
BYTES_MAX = 20_000
CPU_S_MAX = 1.0
"""Processor time of one message, on a slow machine and beside others; usual is a millisecond."""
MEMORY_BYTES_MAX = 48 << 20
ROWS_MAX = 200_000
AT_US = 1_763_964_000_000_000
NODE, DEVICE = "shop/gw1", "shop/gw1/mill-1"
FORMS: tuple[tuple[str, Kind, Payload], ...] = (
    *((f"auto/{kind}", kind, Payload()) for kind in
      ("measure", "state", "counter", "moment", "calibration", "trace")),
    ("comma", "measure", Payload(decimal_comma=True)),
    ("text", "measure", Payload(form="text")),
    ("json", "measure", Payload(form="json")),
    ("places", "measure", Payload(value="/d/temp/value", time="/ts")),
    ("spread", "trace", Payload(value="/v", time="/t0", dt="/dt")),
    ("each", "measure", Payload(each="/samples", where=("/n", "upper"), value="/v", time="/t")),
    ("root", "measure", Payload(each="", value="/v", time="/t")),
    ("condition", "state", Payload(form="condition")),
    ("one", "measure", Payload(form="binary", binary=Binary("float32", "big", at=2))),
    ("many", "trace", Payload(form="binary", binary=Binary("int16", "little"), dt_s=0.004)),
)  # fmt: skip
METRICS = ("bearing/temp", "offset/um", "air/on", "coolant/level", "trace/x")


def settings_of_all_forms() -> Settings:
    signals = [
        Signal(index, "m", f"s{index}", topic, kind, unit="Cel", payload=payload,
               words_on=("on", "fault"), words_off=("off", "normal"))
        for index, (topic, kind, payload) in enumerate(FORMS)
    ]  # fmt: skip
    for metric in METRICS:
        payload = Payload(form="sparkplug", metric=metric, dt_s=0.1)
        signals.append(Signal(len(signals), "m", metric.replace("/", "_"), topic_of(DEVICE),
                              "measure", unit="1", payload=payload))  # fmt: skip
    return Settings("x", NoCalendar(), (Machine("m", "M", tuple(signals)),))


def seeds() -> tuple[list[bytes], list[tuple[str, bytes]]]:
    """Plain payloads, and (topic, payload) of Sparkplug nodes."""
    plain: dict[bytes, None] = {}
    nodes: list[tuple[str, bytes]] = []
    for path in sorted(CASES.glob("[PTS]*.jsonl")):
        for line in path.read_text(encoding="utf-8").split("\n"):
            row = json.loads(line) if line else {}
            if "topic" not in row:
                continue
            packed = row.get("payload_b64")
            body = base64.b64decode(packed) if packed else row["payload"].encode()
            if row["topic"].startswith("spBv1.0"):
                nodes.append((row["topic"], body))
            elif len(body) <= BYTES_MAX:
                plain.setdefault(body)
    more = (
        b'{"samples":[{"n":"upper","v":1,"t":1763964000},{"n":"lower","v":2,"t":1763964001}]}',
        b'{"v":[1,2,3],"t0":1763964000,"dt":0.01}', b'[{"v":1,"t":1}]', b"\x00\x01\x41\xbf\x00\x00",
        b"2025-11-24T06:00:00Z|axis|FAULT|1205|high||following error", b"[" * 400, b"9" * 4000,
        b'{"v":' * 300, b'"' + b"\\u0000" * 50 + b'"', b'{"dt":1e-9,"v":[1,2],"t0":0}',
    )  # fmt: skip
    return [*plain, *more], nodes


def mutated(rng: random.Random, body: bytes, other: bytes) -> bytes:
    """Change a payload one to six times."""
    made = bytearray(body)
    for _ in range(rng.randint(1, 6)):
        at = rng.randrange(len(made) + 1)
        to = min(len(made), at + rng.randint(1, 8))
        match rng.randrange(9):
            case 0 if at < len(made):
                made[at] ^= 1 << rng.randrange(8)
            case 1:
                made[at:at] = rng.randbytes(rng.randint(1, 6))
            case 2:
                del made[at:to]
            case 3:
                del made[at:]
            case 4:
                made[at:at] = made[at:to] * rng.randint(1, 60)
            case 5:
                cut = rng.randrange(len(other) + 1)
                made[at:to] = other[cut : cut + rng.randint(1, 40)]
            case 6:
                made[at:to] = rng.choice(
                    (b"1e999", b"-", b"NaN", b"null", b"{}", b"[]", b'"', b"\\")
                )
            case 7:
                made[at:to] = rng.choice(
                    (b"\xff", b"\xc0\x80", b"\xed\xa0\x80", b"\0", b"\xef\xbb\xbf")
                )
            case _:
                made[at:at] = rng.choice((b"[", b"{", b'{"v":')) * rng.randint(1, 200)
    return bytes(made[: BYTES_MAX + 100])


def messages(number: int, seed: int) -> Iterator[Arrived]:
    """Mutated payloads over all topics; one in four is of the Sparkplug node."""
    rng = random.Random(seed)
    plain, nodes = seeds()
    topics = [topic for topic, *_ in FORMS]
    for n in range(number):
        at_us = AT_US + n * 10_000
        if rng.randrange(4):
            body = mutated(rng, rng.choice(plain), rng.choice(plain))
            topic = rng.choice(topics) if rng.randrange(20) else f"stray/{rng.randrange(2000)}"
        else:
            topic, body = rng.choice(nodes)
            if rng.randrange(5):  # births that are whole between broken ones
                body = mutated(rng, body, rng.choice(nodes)[1])
        yield Arrived(at_us, topic, body, rng.randrange(9) == 0)


def decode_all(number: int, seed: int) -> tuple[int, int, float]:
    """Rows, bytes of memory at most, and the longest processor time of one message."""
    decoder = Decoder(settings_of_all_forms(), lambda _: 3600, payload_bytes_max=BYTES_MAX)
    rows, slowest_s, strays = 0, 0.0, set()
    tracemalloc.start()
    start_bytes = tracemalloc.get_traced_memory()[0]
    try:
        for message in messages(number, seed):
            began_s = time.process_time()
            records = decoder.decode([message])
            slowest_s = max(slowest_s, time.process_time() - began_s)
            for record in records:
                if isinstance(record, Samples):
                    rows += held_to_its_promises(record)
                else:
                    strays.add(getattr(record, "topic", ""))
        peak_bytes = tracemalloc.get_traced_memory()[1] - start_bytes
    finally:
        tracemalloc.stop()
    assert len(strays) <= STRAYS_MAX + 2
    return rows, peak_bytes, slowest_s


def held_to_its_promises(run: Samples) -> int:
    """Every row is a number, or has a reason why not."""
    for value, quality, reason in zip(
        run.value.tolist(), run.quality.tolist(), run.reason.tolist(), strict=True
    ):
        assert quality in {GOOD, SUSPECT, BAD, NODATA}
        assert math.isfinite(value) == (quality in {GOOD, SUSPECT})
        assert bool(reason) == (quality in {BAD, NODATA}) or quality == SUSPECT
    assert len(run) <= ROWS_MAX
    return len(run)


def judge(number: int, seed: int) -> None:
    rows, peak_bytes, slowest_s = decode_all(number, seed)
    print(f"\n{number:,} mutated payloads: {rows:,} rows, at most {peak_bytes / 2**20:.1f} MiB, "
          f"slowest {slowest_s * 1000:.0f} ms")  # fmt: skip
    assert rows > number / 2
    assert peak_bytes < MEMORY_BYTES_MAX
    assert slowest_s < CPU_S_MAX


def test_mutated_payloads_never_raise_and_cost_bounded_time_and_memory():
    judge(10_000, seed=1)


@pytest.mark.long
def test_a_hundred_thousand_mutated_payloads_never_raise():
    judge(100_000, seed=2)

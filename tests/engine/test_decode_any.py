"""Whatever a payload holds: a record comes out, and no exception."""

import json
import math

from hypothesis import given
from hypothesis import strategies as st

from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import (
    BAD,
    GOOD,
    NO_TIME,
    NODATA,
    REASONS,
    SUSPECT,
    TIME_UNREADABLE,
    Samples,
)
from condmon.engine.settings import Machine, Payload, Settings, Signal
from tests.bent import bent_bytes
from tests.engine.test_sparkplug import HEX, T_MS
from tests.generated import generated
from tests.payloads import NoCalendar

KINDS = ("measure", "state", "counter", "moment", "calibration", "trace")
PAYLOADS = (
    Payload(),
    Payload(decimal_comma=True),
    Payload(form="json"),
    Payload(form="text"),
    Payload(value="/v", time="/t"),
    Payload(value="/v", time="/t", dt="/dt"),
    Payload(each="", value="/v", time="/t"),
    Payload(each="/v", where=("/n", "a"), dt_s=0.1),
)
SIGNALS = tuple(
    Signal(index, "m", f"s{index}", f"{kind}/{number}", kind, unit="Cel", words_on=("on",))
    if payload == PAYLOADS[0]
    else Signal(index, "m", f"s{index}", f"{kind}/{number}", kind, unit="bar", payload=payload)
    for index, (kind, (number, payload)) in enumerate(
        (kind, pair) for kind in KINDS for pair in enumerate(PAYLOADS)
    )
)
SETTINGS = Settings("x", NoCalendar(), (Machine("m", "M", SIGNALS),))

SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8),
    st.sampled_from(["2025-11-24T06:00:00Z", "1,5", "21.5 C", "nan", "on", "1763964000"]),
)  # fmt: skip
NAMES = st.sampled_from(["v", "t", "dt", "n", "ts", "value", "unit", "x"])
DOCUMENTS = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(NAMES, inner, max_size=4),
    max_leaves=12,
)
BODIES = st.one_of(
    st.binary(max_size=80),
    st.text(max_size=40).map(lambda text: text.encode("utf-8", "surrogatepass")),
    DOCUMENTS.map(lambda document: json.dumps(document).encode()),
    st.from_regex(r"[+-]?[0-9.,]{1,9}([eE][+-]?[0-9]{1,4})? ?[CF%\u00b0a-z]{0,3}").map(str.encode),
)


@generated(usual=300, per_mille=50)
@given(body=BODIES, at_us=st.integers(0, 2**52), retain=st.booleans())
def test_any_payload_gives_columns_that_keep_their_promises(body, at_us, retain):
    messages = [Arrived(at_us, signal.topic, body, retain) for signal in SIGNALS]
    for run in Decoder(SETTINGS, lambda _: 3600, payload_bytes_max=75).decode(messages):
        raw = dict(run.raw)
        for row in range(len(run)):
            value, quality, reason = run.value[row], run.quality[row], run.reason[row]
            assert quality in {GOOD, SUSPECT, BAD, NODATA}
            assert math.isfinite(value) == (quality in {GOOD, SUSPECT})
            assert (reason == 0) == (quality in {GOOD, SUSPECT})
            assert (quality == SUSPECT) <= bool(run.mark[row] & TIME_UNREADABLE)
            assert reason < len(REASONS)
            assert (quality == BAD) == (row in raw)
            assert at_us == run.arrived_us[row]
            assert run.own_us[row] == NO_TIME or abs(run.own_us[row]) < 2**60
        for text in raw.values():
            assert body[:64] == text


@generated(usual=100, per_mille=60)
@given(topics=st.lists(st.text(max_size=12), max_size=20))
def test_any_topic_is_told_at_most_once(topics):
    decoder = Decoder(SETTINGS)
    strays = decoder.decode([Arrived(0, topic, b"1") for topic in topics])
    assert len({stray.topic for stray in strays}) == len(strays)


NODE_TOPICS = [f"spBv1.0/shop/{kind}/gw1{tail}" for kind, tail in (
    ("NBIRTH", ""), ("NDATA", ""), ("NDEATH", ""), ("DBIRTH", "/mill"), ("DDATA", "/mill"),
    ("DDEATH", "/mill"), ("STATE", ""), ("NCMD", ""))]  # fmt: skip
SPARKPLUG = Settings("x", NoCalendar(), (Machine("m", "M", tuple(
    Signal(n, "m", name, NODE_TOPICS[topic], kind, unit="Cel",
           payload=Payload(form="sparkplug", metric=metric))
    for n, (name, topic, kind, metric) in enumerate((
        ("a", 1, "measure", "spindle/temp"), ("b", 1, "state", "air/valve"),
        ("c", 4, "counter", "spindle/temp"), ("d", 4, "trace", "axis/x_follow_um"),
    )))),))  # fmt: skip


@generated(usual=150, per_mille=100)
@given(st.lists(st.tuples(st.sampled_from(NODE_TOPICS), bent_bytes(*HEX.values())), min_size=1,
                max_size=4))  # fmt: skip
def test_any_sparkplug_messages_give_columns_that_keep_their_promises(messages):
    decoder = Decoder(SPARKPLUG)
    for second, (topic, body) in enumerate(messages):
        for run in decoder.decode([Arrived(T_MS * 1000 + second, topic, body)]):
            for value, quality in zip(*_read(run), strict=True):
                assert math.isfinite(value) == (quality in {GOOD, SUSPECT})


def _read(run):
    return (run.value, run.quality) if isinstance(run, Samples) else ((), ())

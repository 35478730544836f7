"""Sparkplug B 3.0.0: vectors, negative numbers, arrays, births, deaths and sequence numbers.

The byte vectors were made with the reference encoder from the fields of the specification's own
messages and read back by hand (tests/vectors.json, "sparkplug_hex"). Four array examples printed
in the specification break its own rule of byte order or width; they are not used as vectors.
"""

import math
import struct

import pytest

from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import (
    BAD,
    GOOD,
    HISTORICAL,
    NO_TIME,
    NODATA,
    SUSPECT,
    Gap,
    Samples,
)
from condmon.engine.settings import Machine, Payload, Settings, Signal
from condmon.engine.sparkplug import NO_SCALAR, Metric, payload, value
from condmon.engine.wire import WireError
from tests.payloads import NoCalendar
from tests.trade.vectors import vector

T_MS = 1_790_000_000_000  # 2026-09-21T14:13:20Z
HEX = {name: bytes.fromhex(text) for name, text in vector("sparkplug_hex").expected.items()}
METRICS = {"temp": "spindle/temp", "air": "air/valve", "follow": "axis/x_follow_um",
           "flow": "air/flow"}  # fmt: skip
NODE = "spBv1.0/shop/{}/gw1"


def settings_of_node() -> Settings:
    signals = [
        Signal(n, "mill-1", name, NODE.format("NDATA"), "state" if name == "air" else "measure",
               payload=Payload(form="sparkplug", metric=metric))
        for n, (name, metric) in enumerate(METRICS.items())
    ]  # fmt: skip
    return Settings("x", NoCalendar(), (Machine("mill-1", "Mill", tuple(signals)),))


class Node:
    """What a decoder makes of the messages of one node, each a second after the other."""

    def __init__(self) -> None:
        self._decoder = Decoder(settings_of_node())
        self._at_us = T_MS * 1000
        self.gaps: list[str] = []

    def hear(self, kind: str, content: bytes) -> dict[str, tuple[float | None, int, int, int]]:
        """(value, quality, own time, mark) by signal."""
        self._at_us += 1_000_000
        out = {}
        message = Arrived(self._at_us, NODE.format(kind), content)
        for record in self._decoder.decode([message]):
            if isinstance(record, Gap):
                self.gaps.append(record.reason)
            elif isinstance(record, Samples):
                for n in range(len(record)):
                    number = float(record.value[n])
                    out[list(METRICS)[int(record.signal[n])]] = (
                        None if math.isnan(number) else number, int(record.quality[n]),
                        int(record.own_us[n]), int(record.mark[n]),
                    )  # fmt: skip
        return out


def test_birth_gives_every_value_with_its_type_and_time():
    got = Node().hear("NBIRTH", HEX["NBIRTH"])
    values = {name: row[:2] for name, row in got.items()}
    assert {"temp": (36.5, GOOD), "air": (1.0, GOOD), "follow": (-12.0, GOOD),
            "flow": (31.25, GOOD)} == values  # fmt: skip
    assert {T_MS * 1000} == {row[2] for row in got.values()}


def test_data_by_alias_null_historical_and_doubted_values_are_as_listed():
    node = Node()
    node.hear("NBIRTH", HEX["NBIRTH"])
    data = node.hear("NDATA", HEX["NDATA"])
    assert {"temp": (36.75, GOOD), "follow": (-15.0, GOOD)} == {k: v[:2] for k, v in data.items()}
    assert (T_MS + 1000) * 1000 == data["temp"][2]
    assert (None, NODATA) == node.hear("NDATA", HEX["NDATA null"])["flow"][:2]
    old = node.hear("NDATA", HEX["NDATA historical"])["temp"]
    assert (35.0, GOOD, (T_MS - 60_000) * 1000) == old[:3]
    assert old[3] & HISTORICAL
    assert (36.9, SUSPECT) == node.hear("NDATA", HEX["NDATA quality"])["temp"][:2]
    assert [] == node.gaps


def test_death_of_the_session_that_is_on_takes_every_value_away_and_another_none():
    node = Node()
    node.hear("NBIRTH", HEX["NBIRTH"])  # its bdSeq is 7, as that of the death
    other = HEX["NDEATH"][:-1] + b"\x06"
    assert {} == node.hear("NDEATH", other)
    gone = node.hear("NDEATH", HEX["NDEATH"])
    assert set(METRICS) == set(gone)
    assert {(None, NODATA, NO_TIME)} == {row[:3] for row in gone.values()}
    assert {} == node.hear("NDEATH", HEX["NDEATH"]), "a death that is repeated"
    assert {} == node.hear("NDATA", HEX["NDATA"]), "no birth explains it any longer"


def test_values_before_any_birth_are_left_out_and_told_once():
    node = Node()
    for _ in range(3):
        assert {} == node.hear("NDATA", HEX["NDATA"])
    assert 1 == sum("no birth message explains" in reason for reason in node.gaps)


def test_hole_in_the_sequence_is_told_and_an_old_message_is_no_hole():
    node = Node()
    node.hear("NBIRTH", HEX["NBIRTH"])  # 0
    node.hear("NDATA", HEX["NDATA"])  # 1
    node.hear("NDATA", HEX["NDATA quality"])  # 4
    assert ["messages of the Sparkplug node shop/gw1 are missing"] == node.gaps
    node.hear("NDATA", HEX["NDATA null"])  # 2, late
    assert 1 == len(node.gaps)


def test_commands_to_a_node_are_not_read():
    node = Node()
    node.hear("NBIRTH", HEX["NBIRTH"])
    assert {} == node.hear("NCMD", HEX["NCMD"])


@pytest.mark.parametrize(("text", "seq"), [
    ("1800", 0), ("1801", 1), ("187f", 127), ("188001", 128), ("18ff01", 255),
])  # fmt: skip
def test_sequence_numbers_are_read_over_the_edge_of_a_byte(text, seq):
    assert seq == payload(bytes.fromhex(text)).seq


def scalar(kind: int, raw: int, field: int = 10) -> object:
    return value(Metric("x", None, None, kind, False, False, False, None, {field: raw}), None)


@pytest.mark.parametrize(("kind", "raw", "field", "number"), [
    (1, 0xE9, 10, -23), (1, 0xFFFFFFE9, 10, -23), (3, 4294967284, 10, -12),
    (2, 35536, 10, -30000), (4, 2**64 - 5, 11, -5), (5, 0xE9, 10, 233),
    (8, 2**64 - 1, 11, 2**64 - 1),
])  # fmt: skip
def test_negative_numbers_are_read_however_wide_they_were_sent(kind, raw, field, number):
    assert number == scalar(kind, raw, field)


def array(kind: int, content: str) -> object:
    raw = {16: bytes.fromhex(content)}
    return value(Metric("x", None, None, kind, False, False, False, None, raw), None)


@pytest.mark.parametrize(("kind", "content", "numbers"), [
    (24, "15cd5b07b168de3a", [123456789, 987654321]), (23, "d08a3075", [-30000, 30000]),
    (28, "3400000049fb55c4", [52, 3293969225]),
    (25, "ce0672ac189cbac4c4ba9c18ac7206ce", [-4270929666821191986, -3601064768563266876]),
    (22, "e97b", [-23, 123]),
    (32, "0c00000034d0", [bool(int(bit)) for bit in "001101001101"]),
])  # fmt: skip
def test_arrays_are_read_as_listed(kind, content, numbers):
    assert numbers == array(kind, content)


def test_float_arrays_are_little_endian_as_the_rule_says_and_not_as_the_example_is_printed():
    numbers = array(30, "a4709d3f98aeb242")
    assert [1.23, 89.341] == pytest.approx(numbers, rel=1e-6)
    assert list(struct.unpack("<2d", bytes.fromhex("d7a205685bb528408e171c6f4cf78f40"))) == array(
        31, "d7a205685bb528408e171c6f4cf78f40"
    )


@pytest.mark.parametrize("content", ["", "15cd5b", "15cd5b07b168de"])
def test_array_whose_length_does_not_fit_its_type_is_no_value(content):
    given = array(24, content)
    assert given in (NO_SCALAR, []), "an empty array holds nothing, a torn one is refused"


def test_torn_message_is_refused_for_every_signal_and_raises_nothing():
    node = Node()
    node.hear("NBIRTH", HEX["NBIRTH"])
    with pytest.raises(WireError):
        payload(HEX["NDATA"][:-3])
    torn = node.hear("NDATA", HEX["NDATA"][:-3])
    assert {BAD} == {row[1] for row in torn.values()}
    assert (36.75, GOOD) == node.hear("NDATA", HEX["NDATA"])["temp"][:2]

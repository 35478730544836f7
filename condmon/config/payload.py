"""How a signal's value lies in its messages: the keys of [machine.signal.NAME] about payloads."""

import re
from typing import Any

from condmon.config import values
from condmon.config.table import Section, Wrong
from condmon.engine.edgenodes import topic_of
from condmon.engine.settings import Binary, Kind, Payload, Signal
from condmon.engine.units import UNITS

FORMS = ("auto", "text", "json", "condition", "sparkplug", "binary")
PLACES = ("value", "time", "each", "where", "dt")
_NUMBERS: tuple[Kind, ...] = ("measure", "calibration", "counter", "trace")
_BINARY = re.compile(
    r"(int16|uint16|int32|uint32|float32|float64) (big|little)( swapped)?(?: at (\d{1,5}))?"
)
_ADDRESS = re.compile(r"[^/+#]+/[^/+#]+(?:/[^/+#]+)?")


def payload(section: Section) -> Payload:
    """Make the payload's part of a signal."""
    dt = section.take("dt", _dt, None)
    form = section.take("form", values.one_of(FORMS, "form"), "auto")
    for key in ("sparkplug", "binary"):
        if key in section.table:
            if form not in {"auto", key}:
                section.wrong(f'it makes the form "{key}"; take form = "{form}" out', key)
            form = key
        elif form == key:
            section.wrong(f"{key} is missing; write for example: {_EXAMPLES[key]}")
    made = Payload(
        form,  # type: ignore[arg-type]
        section.take("value", values.pointer, None),
        section.take("time", values.pointer, None),
        section.take("each", values.pointer, None),
        section.take("where", _where, None),
        dt if isinstance(dt, str) else None,
        dt if isinstance(dt, float) else None,
        section.take("decimal_comma", values.flag, False),
        _metric(section, form),
        section.take("binary", _binary, None),
        section.take("scale", _scale, 1.0),
        section.take("sent_unit", values.unit, None),
    )
    _fits_form(section, made)
    return made


_EXAMPLES = {"sparkplug": 'sparkplug = "shop/gw1/mill-1"', "binary": 'binary = "float32 big"'}


def topic(section: Section) -> str:
    """Give the topic a signal reads; a Sparkplug address makes its own."""
    if "sparkplug" not in section.table:
        return section.need("topic", values.topic, "", 'topic = "pier/mill-1/spindle/speed"')
    if "topic" in section.table:
        section.wrong("a Sparkplug metric has no topic of its own; take it out", "topic")
    address = section.take("sparkplug", _address, "")
    return topic_of(address) if address else ""


def fits(section: Section, one: Signal) -> None:
    """Note keys about numbers where there is none, and units that do not go together."""
    made = one.payload
    for key in ("scale", "sent_unit"):
        if key in section.table and one.kind not in _NUMBERS:
            section.wrong(f"a {one.kind} has no use for it; it is for: {', '.join(_NUMBERS)}", key)
    if made.sent_unit and UNITS[made.sent_unit].quantity != UNITS[one.unit].quantity:
        section.wrong(f'"{made.sent_unit}" is a unit of {UNITS[made.sent_unit].quantity}, the '
                      f'signal has one of {UNITS[one.unit].quantity}', "sent_unit")  # fmt: skip
    if one.width_bits and (made.scale != 1.0 or made.sent_unit):
        section.wrong("width counts in the numbers as they are sent; leave it out, or scale and "
                      "sent_unit", "width")  # fmt: skip
    if made.form == "condition" and one.kind != "state":
        section.wrong(f"condition words are a state, not a {one.kind}", "form")
    if made.binary and one.kind in _NUMBERS and one.range is None:
        section.warn("a wrong order of bytes can only be seen by impossible values; give a range",
                     "binary")  # fmt: skip


def _fits_form(section: Section, made: Payload) -> None:
    places = [key for key in PLACES if key in section.table]
    allowed = {"dt"} if made.form in {"sparkplug", "binary"} else set()
    wrong = [key for key in places if key not in allowed]
    if made.form in {"text", "condition"} and wrong:
        section.wrong('a plain text has no places in it; take the key out or write '
                      'form = "json"', wrong[0])  # fmt: skip
    elif made.form in {"sparkplug", "binary"} and wrong:
        section.wrong(f'it is for JSON; a payload of the form "{made.form}" has no such places',
                      wrong[0])  # fmt: skip


def _metric(section: Section, form: str) -> str | None:
    if form == "sparkplug":
        return section.need("metric", lambda value: values.text(value, 400), "",
                            'metric = "bearing/temp"')  # fmt: skip
    if "metric" in section.table:
        section.wrong(f"it is for Sparkplug; say which device: {_EXAMPLES['sparkplug']}", "metric")
    return None


def _address(value: Any) -> str:
    given = values.text(value, 1000)
    if not _ADDRESS.fullmatch(given):
        raise Wrong('this must be "group/node" or "group/node/device", like "shop/gw1/mill-1", '
                    "without + and #")  # fmt: skip
    return given


def _binary(value: Any) -> Binary:
    found = _BINARY.fullmatch(values.text(value, 60))
    if found is None:
        raise Wrong('this must be a type and an order of bytes, like "float32 big", "uint16 '
                    'little", "int32 big at 4" or "float32 big swapped"')  # fmt: skip
    kind, order, swapped, at = found.groups()
    if swapped and kind.endswith("16"):
        raise Wrong("a number of 16 bits has one word only; there is nothing to swap")
    place = None if at is None else int(at)
    return Binary(kind, order, bool(swapped), place)  # type: ignore[arg-type]


def _scale(value: Any) -> float:
    given = values.number(value)
    if given == 0:
        raise Wrong("with 0 every value would be 0; leave it out for 1")
    return given


def _dt(value: Any) -> str | float:
    """Read a time between samples, or the place of one in the payload (in seconds)."""
    if isinstance(value, str) and value.startswith("/"):
        return values.pointer(value)
    return values.duration(1e-6, 86400)(value)


def _where(value: Any) -> tuple[str, str]:
    if not isinstance(value, list) or len(value) != 2:
        raise Wrong('this must be a place and a text, like ["/name", "upper"]')
    return values.pointer(value[0]), values.text(value[1], 200)

"""The draft: machines and signals as a configuration, each guess with its reason. Pure."""

import json
import textwrap
from collections.abc import Iterator
from itertools import pairwise

from condmon.engine.records import SECOND_US
from condmon.engine.roles import MEASURE_STALE_S, ROLES
from condmon.engine.units import UNITS
from condmon.engine.words import span
from condmon.surveying.guess import Guess
from condmon.surveying.heard import Heard, Topic
from condmon.surveying.machinery import Found
from condmon.surveying.rolewords import CHECK, LIKELY, OFF_FOR, STATE_WORDS

COLUMNS = 100
HEAD = """\
# A draft made by `condmon survey`: {messages} messages of {topics} topics in {lasted}{source}.
# Nothing in it is certain until you have looked it over. Beside every signal stands how sure the
# guess of its role is, and why:
#   sure          words, kind and values agree
#   likely        something was left open; the role is on, so look at it
#   please check  only worth a question; the role is commented out until you decide
# What only the shop can know is marked with "please fill in". Then try the file with
#   condmon check -c FILE
# which names every slip, the checks that are on, and those that one more signal would bring.
# condmon only watches. It stops no machine and is no safety device.

[site]
name = "My shop"                      # please fill in: it stands in every message
timezone = "UTC"                      # please fill in: an IANA name, such as "Europe/Oslo"
# unattended = ["Mon-Fri 18:00-06:00", "Sat-Sun 00:00-24:00"]   # please fill in

[broker]
{broker}
[store]
path = "/var/lib/condmon"

# please fill in who is told; README.md and the example configuration show all ways
# [[send.email]]
# host = "mail.example"
# sender = "condmon@example"
# to = ["owner@example"]
"""


def draft(heard: Heard, found: Found, broker: str, source: str = "") -> str:
    """Write the configuration. `broker` holds the lines of its section, `source` where from."""
    lasted = max(0, heard.last_us - heard.first_us) / SECOND_US if heard.messages else 0.0
    known = len({source.topic for source in heard.tracks} | set(heard.topics))
    text = HEAD.format(messages=heard.messages, topics=known, lasted=span(lasted), source=source,
                       broker=broker)  # fmt: skip
    for key, guesses in found.machines.items():
        text += f'\n\n[[machine]]\nid = "{key}"\n'
        text += f'name = "{key}"   # please fill in: it stands in messages\n'
        text += _remark(f"these topics are one machine because: {found.why.get(key, '')}")
        if key in found.stood:
            text += _remark(f"{found.stood[key]}: what sends only while it works is missing here, "
                            "and less could be told; listen again while it runs")  # fmt: skip
        for made in guesses:
            text += "\n" + "\n".join(_signal(made, heard.topics.get(made.source.topic))) + "\n"
    if not found.machines:
        text += "\n# Nothing readable was heard, so there is no machine here yet.\n"
    if found.unread:
        text += "\n\n# Not guessed:\n"
        text += "".join(_remark(f"- {line}") for line in found.unread)
    return text


def _signal(made: Guess, topic: Topic | None) -> Iterator[str]:
    """Write the section of one signal."""
    yield f"[machine.signal.{made.name}]"
    yield from _where(made, topic)
    said = "; ".join([*made.reasons, *_rhythm(made)])
    if made.role and made.level >= LIKELY:
        yield from _remark(f"{made.sure}: {said}").splitlines()
        yield f'role = "{made.role}"'
    elif made.role:
        yield from _remark(f"please check: {said}").splitlines()
        yield f'# role = "{made.role}"'
    else:
        yield from _remark("; ".join(["no role was found for it", *_values(made), *_rhythm(made)])
                           ).splitlines()  # fmt: skip
    plays = made.role if made.level >= LIKELY else None
    if plays is None and made.source.form != "condition":
        yield f'kind = "{_kind(made)}"'
    yield from _unit(made, plays)
    yield from _words(made, plays)
    yield from _apart(made, plays)
    yield from _further(made, plays)
    for note in made.notes:
        yield from _remark(note).splitlines()


def _where(made: Guess, topic: Topic | None) -> Iterator[str]:
    source = made.source
    if source.form == "sparkplug":
        yield f"sparkplug = {_text(source.topic)}"
        yield f"metric = {_text(source.metric)}"
        return
    yield f"topic = {_text(source.topic)}"
    if source.form == "condition":
        yield 'form = "condition"                  # it sends the condition words of a control'
    place = made.spot
    for key in ("each", "value", "time", "dt"):
        given = getattr(place, key)
        if given is not None:
            yield f"{key} = {_text(given)}"
    if place.where:
        yield f"where = [{_text(place.where[0])}, {_text(place.where[1])}]"
    if topic is not None and topic.commas:
        yield "decimal_comma = true                # it sends numbers such as 12,5"


def _kind(made: Guess) -> str:
    """Give the kind of a signal whose role is off: what its values are."""
    if made.track.is_numeric and made.kind == "state" and not made.track.is_two_valued:
        return "measure"
    return made.kind


def _unit(made: Guess, plays: str | None) -> Iterator[str]:
    kind = ROLES[plays].kind if plays else _kind(made)
    if kind in {"state", "moment"}:
        return
    role_unit = ROLES[plays].unit if plays else None
    code = made.unit
    if plays and code and role_unit and code != role_unit:
        alike = UNITS[code].quantity == UNITS[role_unit].quantity
        if made.unit_told:
            yield from _remark(f"the payload names its unit ({code}), so it is converted").split(
                "\n"
            )[:-1]
        if not alike or not made.unit_told:
            yield f'{"sent_unit" if alike else "unit"} = "{code}"   # {made.unit_why}'
        if not alike:
            yield "# range = [0, 100]   # please fill in: what is plausible in this unit"
        return
    if plays:
        why = made.unit_why or "not told; this is the role's, please check"
        if kind in {"measure", "calibration", "trace"} and role_unit != "1":
            yield f'unit = "{role_unit}"   # {why}'
        return
    if kind != "counter" or code:
        yield f'unit = "{code or 1}"   # {made.unit_why or "please check"}'


def _words(made: Guess, plays: str | None) -> Iterator[str]:
    """Sort the words of a state that its role does not list."""
    if made.source.form == "condition" or (plays is None and _kind(made) != "state"):
        return
    if plays is not None and ROLES[plays].kind != "state":
        return
    base = ROLES[plays or "power"]
    if made.inverted and plays:
        yield (
            f"words = {{ on = {_list(base.words_off, plain=True)}, off = "
            f"{_list(base.words_on, plain=True)} }}   # please check: true means the contrary"
        )
        return
    seen = [word.casefold() for word in made.track.words]
    new = [word for word in seen if word not in {*base.words_on, *base.words_off}]
    if not new:
        return
    off_here = OFF_FOR.get(plays or "", frozenset())
    off = [word for word in new if word in STATE_WORDS["off"] or word in off_here]
    on = [word for word in new if word in STATE_WORDS["on"] and word not in off]
    unsorted = [word for word in new if word not in {*on, *off}]
    if on or off:
        ons = [word for word in (*base.words_on, *on) if word not in off]
        offs = [word for word in (*base.words_off, *off) if word not in on]
        yield f"words = {{ on = {_list(ons)}, off = {_list(offs)} }}"
    if unsorted:
        shown = ", ".join(_text(word) for word in unsorted)
        yield from _remark(f"please sort these words into words = {{ on = [...], off = [...] }}: "
                           f"{shown}").splitlines()  # fmt: skip


def _apart(made: Guess, plays: str | None) -> Iterator[str]:
    if plays and made.axis and plays.startswith("axis"):
        yield f'axis = "{made.axis}"'
    if plays and made.place:
        yield f"place = {_text(made.place)}"


def _further(made: Guess, plays: str | None) -> Iterator[str]:
    track = made.track
    if made.fed_by and made.fed_by != made.name:
        yield f'fed_by = "{made.fed_by}"   # likely: it is silent while the machine is off'
    if plays == "bearing_temperature":
        yield "# trip = 55   # please fill in: where the machine stops itself, from its manual"
    if plays == "oil_pulses":
        every = _between_rises(track.at_rises_us)
        seen = f"; rises came about {every} apart" if every else ""
        yield f'# every = "8 min"   # please fill in: how often a pulse is due{seen}'
        yield "# width = 16   # if it starts again from 0 after 65535"
    stale_s = ROLES[plays].stale_after_s if plays else MEASURE_STALE_S
    period_s = track.period_s()
    if stale_s and period_s and 3 * period_s > stale_s and (plays or _kind(made) == "measure"):
        yield f'stale_after = "{round(4 * period_s / 60) + 1} min"   # it comes this seldom'


def _between_rises(at_us: list[int]) -> str:
    steps = sorted(b - a for a, b in pairwise(at_us))
    return span(steps[len(steps) // 2] / SECOND_US) if len(steps) >= 3 else ""


def _rhythm(made: Guess) -> Iterator[str]:
    track, period_s = made.track, made.track.period_s()
    if track.retained == track.messages:
        yield "only a kept (retained) message came"
    elif period_s is not None and track.is_regular():
        yield f"about every {_seconds(period_s)}"
    elif track.messages == 1:
        yield "came once"
    else:
        yield f"came {track.messages} times, not on a clock"


def _seconds(period_s: float) -> str:
    return f"{period_s:.2g} s" if period_s < 10 else span(period_s)


def _values(made: Guess) -> Iterator[str]:
    track = made.track
    if track.words:
        yield "words " + ", ".join(list(track.words)[:8])
    elif track.numbers:
        yield f"values {track.low:g} to {track.high:g}"


def _remark(text: str) -> str:
    lines = textwrap.wrap(_plain(text), COLUMNS - 2, break_long_words=False, break_on_hyphens=False)
    return "".join(f"# {line}\n" for line in lines)


def _plain(text: str) -> str:
    """Keep a comment on its line, and a terminal unharmed."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _text(given: str) -> str:
    """Write a TOML text; letters that do not print as themselves are escaped."""
    quoted = json.dumps(given, ensure_ascii=False)
    return "".join(letter if letter.isprintable() else f"\\U{ord(letter):08x}" for letter in quoted)


def _list(given: object, *, plain: bool = False) -> str:
    assert isinstance(given, list | tuple)
    kept = [word for word in given if not plain or word in {"true", "false", "0", "1"}]
    return "[" + ", ".join(_text(word) for word in kept) + "]"


def counts(found: Found) -> dict[str, int]:
    """How many signals there are by how sure their role is; "none" has none."""
    out = {"sure": 0, "likely": 0, "please check": 0, "none": 0}
    for guesses in found.machines.values():
        for made in guesses:
            out[made.sure if made.role and made.level >= CHECK else "none"] += 1
    return out

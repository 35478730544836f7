"""Runs a case: its lines become messages, its actions records, and time passes with both."""

import base64
import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from condmon.clock import parse_rfc3339
from condmon.config import load
from condmon.engine.decode import Arrived, Decoder
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Judged, Message, Output
from condmon.engine.records import SECOND_US, Action, Beacon, Gap, Record, Samples
from condmon.engine.settings import Settings
from tests.cases.shop import HERE, NESTED, PLACES, configuration

SILENCE_US = 900 * SECOND_US


class Result(NamedTuple):
    """What came of a case; `by_line` holds the judged samples of each message line."""

    outputs: list[Output]
    by_line: list[list[Judged]]

    @property
    def messages(self) -> list[Message]:
        return [o for o in self.outputs if isinstance(o, Message)]

    @property
    def alerts(self) -> dict[str, Alert]:
        return {o.id: o for o in self.outputs if isinstance(o, Alert)}

    def entries(self, kind: str) -> list[Entry]:
        return [o for o in self.outputs if isinstance(o, Entry) and o.kind == kind]


def lines(case: str) -> list[dict[str, Any]]:
    text = (HERE / "input" / f"{case}.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.split("\n") if line]


def expectation(case: str) -> dict[str, Any]:
    out: dict[str, Any] = json.loads((HERE / "expect" / f"{case}.json").read_text())
    return out


def settings_of(case: str, folder: Path, extra: str = "") -> Settings:
    topics = {line["topic"] for line in lines(case) if "topic" in line}
    path = folder / "condmon.toml"
    path.write_text(configuration(topics, extra))
    return load(path).settings


def run(case: str, folder: Path | None = None, extra: str = "") -> Result:
    """What came of a case; each is lived through once a process."""
    return _lived(case, extra)


@cache
def _lived(case: str, extra: str) -> Result:
    """Push a case line by line, with a beacon each second that passes while lines come."""
    with TemporaryDirectory() as folder:
        settings = settings_of(case, Path(folder), extra)
    engine, decoder = Engine(settings, judged=True), Decoder(settings)
    outputs: list[Output] = []
    by_line: list[list[Judged]] = []
    now = 0
    for line in lines(case):
        at = _at(line, expectation(case)["t0"])
        outputs += engine.push(list(_beacons(now, at)))
        now = max(now, at)
        if "topic" in line:
            made = engine.push(decoder.decode([_arrived(line, at)]))
            by_line.append([o for o in made if isinstance(o, Judged)])
        else:
            made = engine.push(list(_action(line, at, engine)))
        outputs += made
    outputs += engine.push([Beacon(now + 3 * SECOND_US)])
    return Result(outputs + engine.flush_digest(), by_line)


def mapped(case: str, number: int, way: str) -> Samples:
    """One line of a case, read by one of the ways of the shop's nested topic."""
    line = lines(case)[number - 1]
    at = _at(line, expectation(case)["t0"])
    text = configuration(set()) + f'\n\n[machine.signal.x]\ntopic = "{NESTED}"\nunit = "Cel"\n'
    with TemporaryDirectory() as folder:
        path = Path(folder) / "condmon.toml"
        path.write_text(text + PLACES[way])
        [run] = Decoder(load(path).settings).decode([_arrived(line, at)])
    assert isinstance(run, Samples)
    return run


def _at(line: dict[str, Any], t0: str) -> int:
    start = parse_rfc3339(t0)
    assert start is not None
    if isinstance(line["at"], str):
        at = parse_rfc3339(line["at"])
        assert at is not None
        return at
    return start + round(line["at"] * SECOND_US)


def _beacons(now: int, at: int) -> Iterator[Beacon]:
    if now and at - now <= SILENCE_US:
        for second in range(now + SECOND_US, at, SECOND_US):
            yield Beacon(second)
    yield Beacon(at)


def _arrived(line: dict[str, Any], at: int) -> Arrived:
    payload = (
        base64.b64decode(line["payload_b64"]) if "payload_b64" in line else line["payload"].encode()
    )
    return Arrived(at, line["topic"], payload, line.get("retain", False))


def _action(line: dict[str, Any], at: int, engine: Engine) -> Iterator[Record]:
    """What a bench action means to the engine; those of the shell are tested with the shell."""
    match line["do"]:
        case "person.ack":
            for alert in engine.open_alerts():
                if alert.state == "active_unacknowledged":
                    yield Action(at, "acknowledge", line.get("who", "phone"), alert.id)
        case "device.restart":
            yield Gap(at, at, at, "a device started again", machine="mill-1")
        case "service_log":
            yield Action(at, "note", "service", machine="mill-1", text=line.get("text", ""))

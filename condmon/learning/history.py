"""From records to frames to learn from: the very engine that watches, with its frames kept."""

from collections.abc import Callable, Iterable

import numpy as np

from condmon.engine.checks.hard_stop import HardStop
from condmon.engine.checks.odd_pattern import Kept, OddPattern
from condmon.engine.engine import Engine
from condmon.engine.minutely import MINUTE_S
from condmon.engine.outputs import Alert, Output
from condmon.engine.records import I64, SECOND_US, Action, Batch, Filed, Flags
from condmon.engine.settings import Settings
from condmon.engine.thermal_trend import Turn
from condmon.learning.odd import Table

AROUND_MIN = 30
"""Minutes left out around an alert or a visit: what led to it, and what followed."""

Span = tuple[int, int]


Turns = dict[str, list[Turn]]
"""Machine -> what may have changed it."""
SERVICED = {
    "visit_ended": "service", "installed": "exchange of a part", "baseline": "new baseline",
}  # fmt: skip


def tables(
    batches: Iterable[Batch],
    settings: Settings,
    attach: Callable[[Engine], None] | None = None,
    turns: Turns | None = None,
) -> dict[str, Table]:
    """Frames of each machine that has any, with those near alerts and service visits marked.

    `attach` may let the engine's checks keep what other models learn from; hard stops and services
    on the way are added to `turns`.
    """
    engine = Engine(settings)
    if attach is not None:
        attach(engine)
    checks = {
        watch.machine.id: check
        for watch in engine.watches
        for check in watch.checks
        if isinstance(check, OddPattern)
    }
    for check in checks.values():
        check.kept = []
    odd: dict[str, dict[str, Span]] = {name: {} for name in checks}
    for batch in batches:
        for output in engine.push(batch):
            _alert(output, odd)
            if turns is not None:
                _hard_stop(output, turns)
        for record in batch:
            if isinstance(record, Action):
                _visit(record, odd)
            elif isinstance(record, Filed):
                _work(record, odd)
                if turns is not None and record.what in SERVICED:
                    turn = Turn(record.at_us, SERVICED[record.what])
                    turns.setdefault(record.machine, []).append(turn)
    return {
        name: _table(check.kept, list(odd[name].values()))
        for name, check in checks.items()
        if check.kept
    }


def _alert(output: Output, odd: dict[str, dict[str, Span]]) -> None:
    """An alert of the machine itself, from its first second to its end."""
    if isinstance(output, Alert) and output.machine in odd:
        ended = output.ended_us if output.ended_us is not None else 2**62
        odd[output.machine][output.id] = (output.began_us, ended)


def _hard_stop(output: Output, turns: Turns) -> None:
    """A hard stop, once, when it is raised."""
    if isinstance(output, Alert) and output.check == HardStop.id and output.revision == 1:
        turns.setdefault(output.machine, []).append(Turn(output.began_us, "hard stop"))


def _visit(action: Action, odd: dict[str, dict[str, Span]]) -> None:
    """From out of service to returned to service."""
    key = f"out of service {action.check}"
    if action.do == "out_of_service":
        _begin(odd, action.machine, key, action.at_us)
    elif action.do == "return_to_service":
        _end(odd, action.machine, key, action.at_us)


def _work(filed: Filed, odd: dict[str, dict[str, Span]]) -> None:
    """From the begin of a visit to its end."""
    key = f"visit {filed.key}"
    if filed.what == "visit_begun":
        _begin(odd, filed.machine, key, filed.at_us)
    elif filed.what == "visit_ended":
        _end(odd, filed.machine, key, filed.at_us)


def _begin(odd: dict[str, dict[str, Span]], machine: str, key: str, at_us: int) -> None:
    """Open a span of a machine that is learned, if it is."""
    if machine in odd:
        odd[machine][key] = (at_us, 2**62)


def _end(odd: dict[str, dict[str, Span]], machine: str, key: str, at_us: int) -> None:
    """Close a span that was opened; another of the same key may follow."""
    if key in odd.get(machine, {}):
        began, _ = odd[machine].pop(key)
        odd[machine][f"{key} until {at_us}"] = (began, at_us)


def _table(kept: list[Kept], spans: list[Span]) -> Table:
    minute = np.concatenate([part.minute for part in kept])
    return Table(
        minute,
        np.concatenate([part.duty for part in kept]),
        np.concatenate([part.rows for part in kept]),
        _inside(minute, spans),
    )


def _inside(minute: I64, spans: list[Span]) -> Flags:
    out = np.zeros(len(minute), bool)
    for began_us, ended_us in spans:
        first = began_us // (MINUTE_S * SECOND_US) - AROUND_MIN
        out |= (minute >= first) & (minute <= ended_us // (MINUTE_S * SECOND_US) + AROUND_MIN)
    return out

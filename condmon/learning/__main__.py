"""The child process that learns: `python -m condmon.learning CONFIG [--machine M] [FILE...]`.

`--from` and `--to` cut a span, `--since` asks what changed since, all in microseconds of UTC.

Reads recordings and captures, or without files what the recorder holds, and writes one JSON object
a line for each machine and kind of model: what was fitted, or why it was not. It ends after that,
so that what scikit-learn takes of memory is given back.
"""

import argparse
import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from condmon import capture
from condmon.clock import SiteCalendar
from condmon.config import Config, load
from condmon.engine.checks.base import Check
from condmon.engine.checks.odd_pattern import OddPattern
from condmon.engine.oddmodel import KIND, OddModelError
from condmon.engine.records import Batch
from condmon.engine.settings import Adjust, Machine
from condmon.engine.thermal_trend import Turn
from condmon.errors import CondmonError
from condmon.learning.child import Learned
from condmon.learning.coarse import coarse
from condmon.learning.cut import between
from condmon.learning.history import Turns, tables
from condmon.learning.odd import Refused, Table, fit
from condmon.learning.recorded import recorded
from condmon.learning.thermal import Keepers


def odd(machine: Machine, table: Table, figures: Mapping[str, float]) -> Learned:
    """Fit the odd pattern of a machine."""
    try:
        made = fit(
            machine,
            table,
            alerts_a_week=figures["alerts_a_week"],
            days_min=round(figures["days_min"]),
        )
        content = made.content()
    except (Refused, OddModelError) as refusal:
        return Learned(machine.id, KIND, "", "", f"odd pattern: {refusal}")
    learned = ", ".join(
        f"{name} from {duty.frames} minutes of {duty.days} days"
        for name, duty in made.duties.items()
    )
    left = "".join(f"; not {name}: {why}" for name, why in made.refused.items())
    return Learned(machine.id, KIND, made.id, content, f"odd pattern learned: {learned}{left}")


Fitter = Callable[[Machine, Table, Mapping[str, float]], Learned]
FITTERS: Mapping[str, tuple[type[Check], Fitter]] = {KIND: (OddPattern, odd)}
"""Kind of model: the check whose figures it takes, and what fits it from frames.

The heat a speed explains learns from minutes of its own (`Keepers`).
"""


def main(argv: Sequence[str]) -> int:
    """Learn and print; 2 where the configuration or a file cannot be read."""
    parser = argparse.ArgumentParser(prog="python -m condmon.learning")
    parser.add_argument("config", type=Path)
    parser.add_argument("--machine")
    parser.add_argument("--from", dest="from_us", type=int, default=0)
    parser.add_argument("--to", dest="to_us", type=int, default=2**62)
    parser.add_argument("--since", dest="since_us", type=int, default=0)
    parser.add_argument("files", nargs="*", type=Path)
    args = parser.parse_args(argv)
    with contextlib.suppress(OSError):
        os.nice(10)  # watching comes first
    keepers, turns = Keepers(), Turns()
    try:
        config = load(args.config)
        batches = between(_batches(config, args.files, args.from_us), args.from_us, args.to_us)
        found = tables(coarse(batches), config.settings, keepers.attach, turns)
    except CondmonError as error:
        print(f"condmon: {error}", file=sys.stderr)
        return 2
    for machine in config.settings.machines:
        if args.machine not in {None, machine.id}:
            continue
        asked = [Turn(args.since_us, "day named")] if args.since_us else turns.get(machine.id, [])
        heat = keepers.learn(machine, config.settings, asked)
        if heat is not None:
            print(json.dumps(heat._asdict()), flush=True)
        if machine.id not in found:
            continue
        for check, fitter in FITTERS.values():
            adjust = machine.adjust.get(check.id, Adjust())
            if adjust.enabled:
                made = fitter(machine, found[machine.id], {**check.figures, **adjust.figures})
                print(json.dumps(made._asdict()), flush=True)
    return 0


def _batches(config: Config, files: Sequence[Path], from_us: int) -> Iterator[Batch]:
    settings = config.settings
    if not files:
        return recorded(config, from_us)
    calendar = settings.calendar
    zone = calendar.offset_s if isinstance(calendar, SiteCalendar) else None
    bytes_max = config.broker.payload_bytes_max
    return capture.read(files, settings, capture.Notes(), zone, payload_bytes_max=bytes_max)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

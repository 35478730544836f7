"""`condmon whatif`: what other figures would have said over the recorded time, before they count.

It reads the daemon's own history beside the daemon, at low priority, and writes nothing.
"""

import argparse
import os
import sys
from dataclasses import replace
from pathlib import Path

from condmon import spans
from condmon.clock import Clock, rfc3339
from condmon.commands.replaytext import lines
from condmon.config import Config, load
from condmon.engine.records import SECOND_US, ModelOn
from condmon.engine.settings import Settings
from condmon.engine.words import nearest
from condmon.errors import CondmonError, UsageError
from condmon.history.store import History
from condmon.learning.models import kept
from condmon.replaying import compare, whatif
from condmon.replaying.progress import Progress
from condmon.store.inforce import in_force

NICE = 15
DAYS = 90
DAYS_MAX = 3660
TELL_EVERY_S = 1.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    add = parser.add_argument
    add("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
        help="the configuration (default: condmon.toml)")  # fmt: skip
    add("--set", action="append", default=[], metavar="CHECK.KEY=VALUE", dest="wishes",
        help='such as air-while-off.hold="20 min" or bearing-hot.enabled=false; again for '
        "more")  # fmt: skip
    add("--with", type=Path, metavar="NEW.toml", dest="new", help="this file instead")
    add("--days", type=int, default=DAYS, metavar="N", help=f"the last N days (default: {DAYS})")
    spans.arguments(parser)
    add("--machine", metavar="M", help="change and count this machine alone")
    add("--json", action="store_true", help="one JSON object a line")
    add("--progress", action="store_true", help="with --json, also lines that say how far it is")
    parser.epilog = (
        "Without --set and --with: the file as it is now, against the one the daemon runs with. "
        "The models are those of today. Nothing is changed by it."
    )


def run(args: argparse.Namespace) -> int:
    """Weigh and tell. Raises ConfigError, UsageError, StoreError."""
    config = load(args.config)
    here, there, names = _sides(args, config)
    span = _span(args, config)
    os.nice(NICE)  # the watch goes first
    models = [
        ModelOn(0, made.machine, made.model, made.id, made.content)
        for made in kept(config.store.path)
        if made.content
    ]
    clock = Clock()
    told = _Told(args, clock)
    said = whatif.weighed(
        config.store.path, (here, there), span, models, told.step, args.machine
    )  # fmt: skip
    told.end()
    if not said[0].records:
        raise CondmonError(
            f"nothing was recorded from {rfc3339(span[0])} to {rfc3339(span[1])}; nothing can be "
            "said of it"
        )
    if args.json:
        sys.stdout.write("".join(lines(compare.rows(*said), as_json=True)))
    else:
        print(compare.readable(said[0], said[1], names, here.calendar))
    return 0


class _Told:
    """How far it is: a line on a terminal, or lines of JSON."""

    def __init__(self, args: argparse.Namespace, clock: Clock) -> None:
        self._json, self._clock = args.json and args.progress, clock
        self._next_s = 0.0
        self._line = Progress(clock.monotonic_s)
        self._days = 0

    def step(self, part: float, at_us: int) -> None:
        """Take how far it is."""
        if self._json and self._clock.monotonic_s() >= self._next_s:
            self._next_s = self._clock.monotonic_s() + TELL_EVERY_S
            row = {"kind": "progress", "part": round(part, 4), "at": rfc3339(at_us)}
            sys.stdout.write("".join(lines([row], as_json=True)))
            sys.stdout.flush()
        elif self._line.due:
            self._line.show(part, rfc3339(at_us)[:10], round(part * 100), "%")

    def end(self) -> None:
        """Take the line away."""
        self._line.end()


def _sides(args: argparse.Namespace, config: Config) -> tuple[Settings, Settings, tuple[str, str]]:
    """What is held against what, and what the two are called."""
    ids = [machine.id for machine in config.settings.machines]
    if args.machine not in {None, *ids}:
        raise UsageError(f"--machine {args.machine}: the configuration has no such machine"
                         f"{nearest(args.machine, ids)}; it has {', '.join(ids)}")  # fmt: skip
    if args.wishes and args.new:
        raise UsageError("give either --set or --with")
    now = config.settings
    if args.wishes:
        other = whatif.changed(now, args.wishes, args.machine)
        return now, replace(other, digest=f"{now.digest}+"), (args.config.name, "the change")
    if args.new:
        return now, load(args.new).settings, (str(args.config), str(args.new))
    before = in_force(config)
    if before is None:
        raise UsageError(
            "say what would be different: --set CHECK.KEY=VALUE or --with NEW.toml; the daemon has "
            "not kept a configuration yet to hold the file against"
        )
    if before.settings.digest == now.digest:
        raise UsageError(f"{args.config} is what the daemon runs with; say what would be different:"
                         " --set CHECK.KEY=VALUE or --with NEW.toml")  # fmt: skip
    return before.settings, now, ("what the daemon runs with", args.config.name)


def _span(args: argparse.Namespace, config: Config) -> spans.Span:
    asked = spans.asked(args, config.settings)
    if asked is not None:
        return asked
    if not 1 <= args.days <= DAYS_MAX:
        raise UsageError(f"--days {args.days}: give a number from 1 to {DAYS_MAX}")
    held = History(config.store.path, config.settings.signals).span_us()
    if held is None:
        raise CondmonError(
            f"{config.store.path}: nothing was recorded here; is [store] path right?"
        )
    return max(held[0], held[1] - args.days * 86_400 * SECOND_US), held[1]

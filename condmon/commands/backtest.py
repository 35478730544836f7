"""`condmon backtest`: many recorded days, each by itself, in parallel; what would have been said.

Every file is a machine-day of its own, known from its first second on. On processes of this
computer, or on a running Dask cluster; the results are the same whichever way.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from condmon import capture
from condmon.clock import Clock, rfc3339
from condmon.commands.replaytext import lines
from condmon.config import Config, load
from condmon.engine.words import nearest
from condmon.errors import UsageError
from condmon.replaying import cluster, compare, processes
from condmon.replaying.compare import Raised, Said, pairs
from condmon.replaying.days import Day, Under, files
from condmon.replaying.progress import Progress
from condmon.replaying.told import DAY_US

WORKERS_MAX = 256


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    add = parser.add_argument
    add("days", nargs="+", type=Path, metavar="DAY", help="recordings, captures, or folders of "
        "them, such as history/samples in the data folder")  # fmt: skip
    add("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="A.toml",
        help="the configuration (default: condmon.toml)")  # fmt: skip
    add("--against", type=Path, metavar="B.toml", help="what would be different under this one")
    add("--machine", metavar="M", help="count this machine alone")
    add("--workers", type=int, metavar="N", help="processes (default: one a core)")
    add("--scheduler", metavar="ADDRESS", help="of a running Dask cluster, such as "
        "tcp://10.0.0.5:8786; its workers read the same paths and have this condmon")  # fmt: skip
    add("--json", action="store_true", help="one JSON object a line")
    capture.mapping.arguments(parser)
    parser.epilog = (
        "Checks that compare with days before need files of several weeks. Exit code 1: some day "
        "could not be read or judged; it is named, the others are counted."
    )


def run(args: argparse.Namespace) -> int:
    """Judge all days and tell what came of it. Raises UsageError, ConfigError, CondmonError."""
    configs = [load(path) for path in (args.config, args.against) if path is not None]
    days = files(args.days)
    _check(args, configs, days)
    under = Under(
        tuple(config.settings for config in configs), configs[0].broker.payload_bytes_max,
        capture.mapping.asked(args), args.machine,
    )  # fmt: skip
    clock = Clock()
    began_s = clock.monotonic_s()
    progress = Progress(clock.monotonic_s)
    found: dict[int, Day] = {}
    for place, day in _each(args, days, under):
        found[place] = day
        if progress.due:
            progress.show(len(found) / len(days), days[place].name, len(found), "days")
    progress.end()
    ordered = [found[place] for place in range(len(days))]
    seconds = clock.monotonic_s() - began_s
    _tell(args, days, ordered, configs, seconds)
    return 1 if any(day.why or day.cut for day in ordered) else 0


def _each(args: argparse.Namespace, days: list[Path], under: Under) -> Iterator[tuple[int, Day]]:
    if args.scheduler:
        return cluster.each(days, under, args.scheduler)
    return processes.each(days, under, min(args.workers or processes.cores(), len(days)))


def _check(args: argparse.Namespace, configs: list[Config], days: list[Path]) -> None:
    if not days:
        raise UsageError("there is no recording and no capture in these folders")
    if args.workers is not None and not 1 <= args.workers <= WORKERS_MAX:
        raise UsageError(f"--workers {args.workers}: give a number from 1 to {WORKERS_MAX}")
    if args.workers is not None and args.scheduler:
        raise UsageError("--workers is for processes of this computer; a cluster has its own")
    ids = [machine.id for machine in configs[0].settings.machines]
    if args.machine not in {None, *ids}:
        raise UsageError(f"--machine {args.machine}: the configuration has no such machine"
                         f"{nearest(args.machine, ids)}")  # fmt: skip


def _tell(
    args: argparse.Namespace, days: list[Path], found: list[Day], configs: list[Config],
    seconds: float,
) -> None:  # fmt: skip
    rows = list(_rows(days, found, seconds))
    if args.json:
        sys.stdout.write("".join(lines(rows, as_json=True)))
    else:
        print("\n".join(_readable(days, found, configs, rows[-1])))
    for path, day in zip(days, found, strict=True):
        for text in day.warnings:
            print(f"condmon: warning: {text}", file=sys.stderr)
        if day.why:
            print(f"condmon: {path}: not counted: {day.why}", file=sys.stderr)


def _rows(days: list[Path], found: list[Day], seconds: float) -> Iterator[dict[str, Any]]:
    """A row a day, an alert, a difference, and the summary; in the order of the days."""
    for path, day in zip(days, found, strict=True):
        head = {"kind": "day", "file": str(path), "why": day.why, "cut": day.cut}
        totals = [
            {"alerts": len(said.alerts), "messages": said.messages, "records": said.records}
            for said in day.said
        ]
        yield head | {"here": totals[0] if totals else None}
        yield from (_alert(path, one) for one in (day.said[0].alerts if day.said else ()))
        if len(day.said) == 2:
            yield from ({**row, "file": str(path)} for row in compare.rows(*day.said)[:-1])
    sums = _sums(found)
    counts = Counter(pair.what for d in found if len(d.said) == 2
                     for pair in pairs(d.said[0].alerts, d.said[1].alerts))  # fmt: skip
    yield {
        "kind": "summary", "days": len(days), "failed": sum(bool(day.why) for day in found),
        "records": sums[0].records if sums else 0, "seconds": round(seconds, 3),
        "differences": dict(sorted(counts.items())),
        "sides": [{"alerts": len(s.alerts), "messages": s.messages,
                   "messages_a_week": round(s.messages_a_week, 2)} for s in sums],
    }  # fmt: skip


def _sums(found: list[Day]) -> list[Said]:
    """All days together, for each configuration."""
    good = [day.said for day in found if day.said]
    return [Said.joined(side) for side in zip(*good, strict=True)]


def _alert(path: Path, one: Raised) -> dict[str, Any]:
    return {
        "kind": "alert", "file": str(path), "machine": one.machine, "check": one.check,
        "signals": list(one.signals), "urgency": one.urgency, "began": rfc3339(one.began_us),
        "raised": rfc3339(one.raised_us), "title": one.title,
        "ended": None if one.ended_us is None else rfc3339(one.ended_us),
    }  # fmt: skip


def _readable(
    days: list[Path], found: list[Day], configs: list[Config], summary: dict[str, Any]
) -> Iterator[str]:
    names = [str(config.path) for config in configs]
    if len(configs) == 2:
        pair, calendar = (names[0], names[1]), configs[0].settings.calendar
        for path, day in zip(days, found, strict=True):
            text = compare.differences(day.said[0], day.said[1], pair, calendar) if day.said else ""
            if text:
                yield from (f"{path}:", text)
    sums = _sums(found)
    for name, said in zip(names, sums, strict=False):
        yield (
            f"{name}: {len(said.alerts)} alerts, {said.messages} messages, "
            f"{said.messages_a_week:.1f} messages a week"
        )
        count = Counter(one.check for one in said.alerts)
        yield from (f"  {number:5}  {check}" for check, number in sorted(count.items()))
    span = sums[0].span_us / DAY_US if sums else 0.0
    yield (
        f"{summary['days']} files, {span:.1f} days of them, {summary['records']:,} records in "
        f"{summary['seconds']:.1f} s; {summary['failed']} could not be judged."
    )

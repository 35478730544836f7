"""`condmon check`: read a configuration, name every problem, or say what would be watched."""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from condmon.commands.owner import as_owner_of
from condmon.config import Config, load
from condmon.config.table import visible
from condmon.config.ways import ways_of
from condmon.delivery.plantext import plan_words
from condmon.engine.checks.base import Check
from condmon.engine.settings import Machine, Signal
from condmon.engine.words import span
from condmon.errors import ConfigError
from condmon.store.inforce import in_force

Line = dict[str, Any]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
                        help="the configuration (default: condmon.toml)")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """Check one file: exit code 0 when it can be used, 2 when it cannot."""
    try:
        config = load(args.config)
        with as_owner_of(config.store.path):  # root could read what the daemon cannot
            config = load(args.config)
    except ConfigError as error:
        _tell_problems(error.problems, as_json=args.json)
        return error.exit_code
    lines = list(findings(config))
    print("\n".join(map(json.dumps, lines)) if args.json else "\n".join(_readable(lines)))
    return 0


def findings(config: Config) -> Iterator[Line]:
    """Give what a good configuration amounts to: warnings, machines, and a summary last."""
    for text in config.warnings:
        yield {"kind": "warning", "text": text}
    machines = [_machine(config, machine) for machine in config.settings.machines]
    yield from machines
    before = in_force(config)
    if before is not None and before.settings.digest != config.settings.digest:
        yield {
            "kind": "changed",
            "text": "the daemon runs with another content of this file; before it is restarted, "
            f"`condmon whatif -c {config.path}` shows what this one would have said over the last "
            "90 recorded days",
        }
    routes = [f"{way.name} ({way.what})" for way in ways_of(config)]
    yield {
        "kind": "summary", "file": str(config.path), "site": config.settings.site,
        "machines": len(machines), "signals": len(config.settings.signals),
        "checks": sum(len(machine["checks"]) for machine in machines),
        "itself": _itself(config),
        "routes": routes, "told": plan_words(config),
        "warnings": len(config.warnings), "digest": config.settings.digest,
    }  # fmt: skip


def _itself(config: Config) -> Line:
    """What condmon looks for on itself, and what of it the shop has switched off."""
    from condmon.engine.checks.book import checks_of
    from condmon.engine.health import itself

    on, _ = checks_of(config.settings, itself(config.settings))
    off = [key for key, adjust in config.settings.own_adjust.items() if not adjust.enabled]
    return {"checks": _checks(on), "off": sorted(off)}


def _machine(config: Config, machine: Machine) -> Line:
    from condmon.engine.checks.book import checks_of

    on, missing = checks_of(config.settings, machine)
    return {
        "kind": "machine", "id": machine.id, "name": machine.name,
        "signals": [_signal(signal) for signal in machine.signals],
        "checks": _checks(on),
        "off": sorted(key for key, adjust in machine.adjust.items() if not adjust.enabled),
        "possible": [{"check": key, "text": text} for key, text in missing],
    }  # fmt: skip


def _checks(on: Sequence[Check]) -> list[Line]:
    """One line for each check, however many sensors, axes or pairs it looks at."""
    found: dict[str, Line] = {}
    for check in on:
        name, _, subject = check.key.partition("/")
        line = found.setdefault(
            name,
            {"check": name, "urgency": check.urgency, "hold_s": check.hold_s,
             "title": type(check).title or check.title, "for": []},
        )  # fmt: skip
        if subject and not subject.isdigit():
            line["for"].append(subject)
    return list(found.values())


def _signal(signal: Signal) -> Line:
    return {
        "signal": signal.name, "role": signal.role, "kind": signal.kind, "unit": signal.unit,
        "topic": signal.topic, "stale_after_s": signal.stale_after_s,
    }  # fmt: skip


def _tell_problems(problems: list[str], *, as_json: bool) -> None:
    if as_json:
        for text in problems:
            print(json.dumps({"kind": "problem", "text": text}))
        return
    for text in problems:
        print(text, file=sys.stderr)
    many = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
    print(f"{many}; condmon does not start with this file.", file=sys.stderr)


def _readable(lines: list[Line]) -> Iterator[str]:
    """Write the findings for a person at a terminal."""
    for line in lines:
        if line["kind"] == "machine":
            yield from _readable_machine(line)
    yield "condmon itself:"
    yield from _readable_checks(lines[-1]["itself"])
    yield ""
    warnings = [line["text"] for line in lines if line["kind"] == "warning"]
    if warnings:
        yield "Warnings (condmon starts all the same):"
        yield from (f"  {text}" for text in warnings)
        yield ""
    yield from (f"Changed: {line['text']}." for line in lines if line["kind"] == "changed")
    summary = lines[-1]
    yield f"{summary['file']} can be used: {summary['site']}, " + ", ".join(
        _count(summary[what], what[:-1]) for what in ("machines", "signals", "checks", "warnings")
    )
    yield (
        "Messages go to: " + ", ".join(summary["routes"])
        if summary["routes"]
        else ("Messages go nowhere yet: write a [[send.webhook]] or [[send.email]].")
    )
    yield from (f"  {text}" for text in summary["told"])


def _readable_machine(line: Line) -> Iterator[str]:
    yield f"{line['id']} ({line['name']}): {_count(len(line['signals']), 'signal')}"
    width = max((len(signal["signal"]) for signal in line["signals"]), default=0)
    for signal in line["signals"]:
        what = signal["role"] or signal["kind"]
        unit = "" if signal["unit"] == "1" else f" {signal['unit']}"
        yield f"  {signal['signal']:{width}}  {what}{unit}  {visible(signal['topic'])}"
    yield from _readable_checks(line)
    if line["possible"]:
        yield "  possible with one more signal:"
        yield from (f"    {one['check']}: {one['text']}" for one in line["possible"])
    yield ""


def _readable_checks(line: Line) -> Iterator[str]:
    yield "  checks on:"
    for check in line["checks"]:
        hold = f", after {span(check['hold_s'])}" if check["hold_s"] else ""
        of = f" [{', '.join(check['for'])}]" if check["for"] else ""
        yield f"    {check['check']} ({check['urgency']}{hold}): {check['title']}{of}"
    if line["off"]:
        yield f"  switched off: {', '.join(line['off'])}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"

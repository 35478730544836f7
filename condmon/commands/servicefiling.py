"""What each word of `condmon service` files about components and tasks."""

import argparse
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from condmon.commands.servicedesk import Desk, Filing
from condmon.engine.servicebook.fields import key_from
from condmon.engine.servicebook.life import MEASURES
from condmon.engine.servicebook.starter import starter_set
from condmon.engine.servicebook.tasks import usual_lead
from condmon.engine.words import nearest
from condmon.errors import UsageError
from condmon.spans import instant_of
from condmon.web.photos import Photos

MEASURES_TOLD = "measures: " + ", ".join(MEASURES)


def _add(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    known = desk.book.components.known
    key = args.key or key_from(args.name, known)
    if key in known and args.used:
        raise UsageError(f'"{key}" is in the book already; its life is counted.')
    content = _given(args, "name", "sort", "serial", "maker", "text", "part_of")
    if args.used:
        content["used"] = amounts(args.used, "--used")
    filings = [Filing("", "component", key, content)]
    if args.machine or args.place:
        if not (args.machine and args.place):
            raise UsageError("Give --machine and --place together.")
        filings.append(Filing(desk.machine(args.machine), "installed", key, {"place": args.place}))
    return filings


def _install(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    content = {"place": args.place, **_given(args, "text", "visit")}
    return [Filing(desk.machine(args.machine), "installed", args.key, content)]


def _remove(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    content = {"to": args.to, **_given(args, "text", "visit")}
    return [Filing(_of_component(desk, args.key), "removed", args.key, content)]


def _exchange(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    machine = _of_component(desk, args.old)
    place = desk.book.components.known[args.old].place
    more = _given(args, "text", "visit")
    return [
        Filing(machine, "removed", args.old, {"to": "exchange", **more}),
        Filing(machine, "installed", args.new, {"place": place, **more}),
    ]


def _return(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    _of_component(desk, args.key)
    content = _given(args, "serial", "text")
    if args.renewed:
        content["renewed"] = True
    return [Filing("", "returned", args.key, content)]


def _of_component(desk: Desk, key: str) -> str:
    known = desk.book.components.known
    if key not in known:
        raise UsageError(f'The book has no component "{key}"{nearest(key, known)}.')
    return known[key].machine


def _task(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    known = desk.book.tasks.known
    key = args.key or key_from(args.title, known)
    content: dict[str, Any] = known[key].content() if key in known else {"sort": "service"}
    content |= _given(args, "title", "sort", "place", "caution", "unit", "source")
    for name in ("every", "lead", "used"):
        if getattr(args, name):
            content[name] = amounts(getattr(args, name), f"--{name}")
    if key not in known and not args.lead:
        content["lead"] = usual_lead(content.get("every", {}))
    if args.steps:
        content["do"] = args.steps
    content |= {n: getattr(args, n) for n in ("low", "high") if getattr(args, n) is not None}
    return [Filing(desk.machine(args.machine), "task", key, content)]


def _did(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    known = desk.book.tasks.known
    if args.key not in known:
        raise UsageError(f'The book has no task "{args.key}"{nearest(args.key, known)}.')
    what = {"skip": "skipped", "retire": "retired"}.get(args.do, args.do)
    content = _given(args, "text", "visit", "found")
    for name in ("reading", "days"):
        if getattr(args, name, None) is not None:
            content[name] = getattr(args, name)
    if getattr(args, "on", ""):
        content["on_us"] = instant_of("--on", args.on, desk.settings)
    if getattr(args, "photo", None):
        content["photo"] = _photo(args.photo, desk)
    return [Filing(known[args.key].machine, what, args.key, content)]


def _photo(path: Path, desk: Desk) -> str:
    """The name under which a photo is kept."""
    try:
        with path.open("rb") as file:
            return Photos(desk.config.store.path).keep(file)
    except OSError as error:
        raise UsageError(f"--photo {path}: cannot be read: {error.strerror}.") from error


def _add_starter(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    machine = next(m for m in desk.settings.machines if m.id == desk.machine(args.machine))
    known = desk.book.tasks.known
    return [
        Filing(machine.id, "task", key, content)
        for key, content in starter_set(machine).items()
        if key not in known
    ]


def _load(args: argparse.Namespace, desk: Desk) -> list[Filing]:
    """Tasks of a file, each line `{"key": ..., "title": ..., "every": {...}}`."""
    machine = desk.machine(args.machine)
    try:
        lines = args.file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{args.file}: cannot be read: {error}.") from error
    found: list[Filing] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            content = dict(json.loads(line))
            key = str(content.pop("key"))
        except (ValueError, TypeError, KeyError, RecursionError):
            raise UsageError(f"{args.file}, line {number}: no JSON object with a key. Nothing was "
                             "filed.") from None  # fmt: skip
        content.pop("kind", None)
        found.append(Filing(machine, "task", key, content))
    return found


def _given(args: argparse.Namespace, *names: str) -> dict[str, Any]:
    """The texts that were given."""
    return {name: getattr(args, name) for name in names if getattr(args, name, "")}


def amounts(texts: list[str], option: str) -> dict[str, float]:
    """Numbers by measure, from texts like `hours_turning=500`. Raises UsageError."""
    found: dict[str, float] = {}
    for text in texts:
        name, _, number = text.partition("=")
        if name not in MEASURES:
            raise UsageError(f'{option} {text}: "{name}" is no measure{nearest(name, MEASURES)}. '
                             f"Known {MEASURES_TOLD}.")  # fmt: skip
        try:
            found[name] = float(number)
        except ValueError:
            raise UsageError(f"{option} {text}: give a number after the =.") from None
    return found


FILING: Mapping[str, Callable[[argparse.Namespace, Desk], list[Filing]]] = {
    "add": _add, "install": _install, "remove": _remove, "exchange": _exchange, "return": _return,
    "task": _task, "done": _did, "inspected": _did, "skip": _did, "retire": _did,
    "starter": _add_starter, "load": _load,
}  # fmt: skip

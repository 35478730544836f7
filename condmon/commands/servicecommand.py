"""`condmon service`: the service book on the command line: components, tasks, what is due.

Visits, measurements and the check after a visit are in modules of their own that add their rows.
"""

import argparse
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from condmon.commands import visitcommand
from condmon.commands.servicedesk import Desk
from condmon.commands.servicefiling import FILING, MEASURES_TOLD
from condmon.commands.servicetext import (
    component_row,
    component_words,
    entry_row,
    task_row,
    task_words,
)
from condmon.commands.users import config_argument
from condmon.config import load
from condmon.engine.servicebook.life import MEASURES
from condmon.engine.servicebook.starter import starter_set
from condmon.engine.words import nearest, parse_duration
from condmon.errors import UsageError


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon service` takes."""
    config_argument(parser)
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    rows = parser.add_subparsers(dest="do", metavar="DO", required=True)
    _reading(rows)
    _components(rows)
    _tasks(rows)
    visitcommand.add(rows)
    parser.epilog = (
        "What is written goes to the running daemon and into the machine event log. Exit code 0: "
        "done; 1: the daemon does not run or cannot be read; 2: wrong usage, or it does not fit."
    )


def _reading(rows: Any) -> None:
    due = rows.add_parser("due", help="what is due or overdue, the most urgent first")
    due.add_argument("--machine", default="")
    due.add_argument("--within", default="", metavar="TIME",
                     help='also what is expected to be due within, such as "30 d"')  # fmt: skip
    tasks = rows.add_parser("tasks", help="every task, how far it is used and when it is expected")
    tasks.add_argument("--machine", default="")
    listed = rows.add_parser("list", help="every component, where it is and how much it has run")
    listed.add_argument("--machine", default="")
    listed.add_argument("--where", choices=("store", "installed", "exchange", "scrap"))
    show = rows.add_parser("show", help="one component or task with all that is known of it")
    show.add_argument("key", metavar="KEY")


def _components(rows: Any) -> None:
    add = rows.add_parser(
        "add",
        help="a new component; with --key of a known one, other words for it",
        epilog=MEASURES_TOLD,
    )
    add.add_argument("name", metavar="NAME", help='such as "spindle unit"')
    _words(add, "sort", "serial", "maker", "text")
    add.add_argument("--key", default="", help="a short name for commands; made from NAME")
    add.add_argument("--part-of", default="", metavar="KEY", help="the component it belongs to")
    add.add_argument("--used", action="append", default=[], metavar="MEASURE=N",
                     help="life it has had before, such as hours_turning=3200")  # fmt: skip
    add.add_argument("--machine", default="", help="install it in this machine at once")
    add.add_argument("--place", default="", help="where in the machine; with --machine")
    install = rows.add_parser("install", help="a component goes from the store into a machine")
    install.add_argument("key", metavar="KEY")
    install.add_argument("machine", metavar="MACHINE")
    install.add_argument("place", metavar="PLACE")
    remove = rows.add_parser("remove", help="a component is taken out of its machine")
    remove.add_argument("key", metavar="KEY")
    remove.add_argument("--to", choices=("store", "exchange", "scrap"), default="store")
    swap = rows.add_parser("exchange", help="one out and sent for exchange, another in its place")
    swap.add_argument("old", metavar="OLD", help="key of the one that is installed")
    swap.add_argument("new", metavar="NEW", help="key of the one in store")
    back = rows.add_parser("return", help="a component comes back from the exchange to the store")
    back.add_argument("key", metavar="KEY")
    back.add_argument("--renewed", action="store_true", help="overhauled: its life starts at zero")
    _words(back, "serial")
    for row in (install, remove, swap, back):
        _words(row, "text")
    for row in (install, remove, swap):
        row.add_argument("--visit", default="", metavar="KEY", help="the visit it was done at")


def _tasks(rows: Any) -> None:
    task = rows.add_parser("task", help="add or change a task", epilog=MEASURES_TOLD)
    task.add_argument("machine", metavar="MACHINE")
    task.add_argument("title", metavar="TITLE", nargs="?", default="")
    task.add_argument("--key", default="", help="for a new one, or of a task to change: what is "
                      "not given stays as it is")  # fmt: skip
    task.add_argument("--sort", choices=("service", "inspection", "cleaning", "calibration"))
    for word, words in (
        ("every", "its interval, such as hours_turning=500; with several the first one counts"),
        ("lead", "how long before that it is told; a tenth of the interval if not given"),
        ("used", "how much of the interval is used already"),
    ):
        task.add_argument(f"--{word}", action="append", default=[], metavar="MEASURE=N",
                          help=words)  # fmt: skip
    task.add_argument("--do", dest="steps", action="append", default=[], metavar="TEXT",
                      help="a step; may be given several times")  # fmt: skip
    _words(task, "place", "caution", "unit", "source")
    task.add_argument("--low", type=float, help="the least reading that is good")
    task.add_argument("--high", type=float, help="the highest reading that is good")
    for word, words in (("done", "a task was done"), ("inspected", "an inspection was made"),
                        ("skip", "a task is left out this time, or put off, with the reason"),
                        ("retire", "a task is done no more")):  # fmt: skip
        row = rows.add_parser(word, help=words)
        row.add_argument("key", metavar="TASK")
        if word == "inspected":
            row.add_argument("found", choices=("good", "watch", "bad"))
        if word in {"done", "inspected"}:
            row.add_argument("--reading", type=float)
            row.add_argument("--on", default="", metavar="DAY",
                             help="when it was done; hours count from now on")  # fmt: skip
            row.add_argument("--photo", type=Path, metavar="FILE", help="JPEG, PNG or WebP")
            row.add_argument("--visit", default="", metavar="KEY", help="the visit it was done at")
            _words(row, "text")
        if word == "skip":
            row.add_argument("text", metavar="REASON")
            row.add_argument("--days", type=float, help="put it off by so many days instead")
    starter = rows.add_parser("starter", help="tasks to begin with for a machining centre")
    starter.add_argument("machine", metavar="MACHINE")
    load_rows = rows.add_parser("load", help="tasks out of a file of JSON lines, such as `starter "
                                "MACHINE` with --json writes, edited")  # fmt: skip
    load_rows.add_argument("machine", metavar="MACHINE")
    load_rows.add_argument("file", type=Path, metavar="FILE")
    starter.add_argument("--add", action="store_true",
                         help="write those into the book that are not there yet")  # fmt: skip


def _words(row: argparse.ArgumentParser, *names: str) -> None:
    for name in names:
        row.add_argument(f"--{name}", default="", metavar="TEXT")


def run(args: argparse.Namespace) -> int:
    """Show the book or write into it. Raises UsageError, ConfigError, StoreError, CondmonError."""
    desk = Desk(load(args.config))
    if args.do in visitcommand.DOES:
        return visitcommand.run(args, desk)
    show = _READING.get(args.do)
    if show and not getattr(args, "add", False):
        for row, words in show(args, desk):
            print(json.dumps(row) if args.json else words)
        return 0
    for entry in desk.file_all(FILING[args.do](args, desk)):
        print(json.dumps(entry_row(entry)) if args.json else entry.text)
    return 0


Rows = list[tuple[dict[str, Any], str]]


def _due(args: argparse.Namespace, desk: Desk) -> Rows:
    within_s = parse_duration(args.within) if args.within else 0.0
    if within_s is None:
        raise UsageError(f'--within {args.within!r}: give a time such as "30 d".')
    until_us = desk.now_us + round(within_s * 1e6)
    rows = [
        (row, words)
        for row, words in _all_tasks(args, desk)
        if row["standing"] != "later" or (row["due_us"] or 2**62) <= until_us
    ]
    return rows or [({"kind": "nothing"}, "Nothing is due.")]


def _all_tasks(args: argparse.Namespace, desk: Desk) -> Rows:
    if args.machine:
        desk.machine(args.machine)
    rows: Rows = []
    for watch in desk.engine.watches[:-1]:
        if args.machine in {"", watch.machine.id}:
            for task in desk.book.tasks.of(watch.machine.id):
                row = task_row(task, watch.due, desk.counts[task.machine], desk.now_us)
                rows.append((row, task_words(row, desk.settings.calendar)))
    order = {"overdue": 0, "soon": 1, "later": 2}
    return sorted(rows, key=lambda x: (order[x[0]["standing"]], x[0]["due_us"] or 2**62))


def _list(args: argparse.Namespace, desk: Desk) -> Rows:
    return [
        (row, component_words(row))
        for component in desk.book.components.known.values()
        for row in [component_row(component, desk.counts)]
        if args.machine in {"", component.machine}
        and args.where in {None, component.where}
    ]  # fmt: skip


def _show(args: argparse.Namespace, desk: Desk) -> Rows:
    components, tasks = desk.book.components.known, desk.book.tasks.known
    calendar = desk.settings.calendar
    if args.key in components:
        row = component_row(components[args.key], desk.counts, whole=True)
        return [(row, component_words(row, calendar))]
    if args.key in tasks:
        task = tasks[args.key]
        due = {w.machine.id: w.due for w in desk.engine.watches}.get(task.machine)
        row = task_row(task, due, desk.counts.get(task.machine, {}), desk.now_us, whole=True)
        return [(row, task_words(row, calendar))]
    raise UsageError(f'The book has neither component nor task "{args.key}"'
                     f"{nearest(args.key, [*components, *tasks])}.")  # fmt: skip


def _starter(args: argparse.Namespace, desk: Desk) -> Rows:
    machine = next(m for m in desk.settings.machines if m.id == desk.machine(args.machine))
    return [
        (
            {"kind": "starter", "key": key, **content},
            f"{key:28} {content['sort']:11} {content['title']}: {_limits(content['every'])}",
        )
        for key, content in starter_set(machine).items()
    ]


def _limits(every: Mapping[str, float]) -> str:
    return " or ".join(f"{value:g} {MEASURES[name].words}" for name, value in every.items())


_READING: Mapping[str, Callable[[argparse.Namespace, Desk], Rows]] = {
    "due": _due, "tasks": _all_tasks, "list": _list, "show": _show,
    "starter": _starter,
}  # fmt: skip

"""`condmon log`: the machine event log on the command line, and acts on alerts without the page.

Acts go to the running daemon as records through the inbox, like those of the page; the answer is
what the log says of them.
"""

import argparse
import json
import os
import pwd
import threading
from typing import Any

from condmon.asked import ask
from condmon.clock import Clock, rfc3339
from condmon.config import Config, load
from condmon.engine.outputs import Entry
from condmon.engine.records import Action, ActionName
from condmon.engine.settings import CONDMON
from condmon.engine.words import parse_duration
from condmon.errors import CondmonError, UsageError
from condmon.journal import Reader
from condmon.lock import holder
from condmon.users import become_owner_of, config_argument

ANSWER_S = 10.0
LOOK_S = 0.1
SHELVE_MAX_S = 7 * 86400.0
_ACTS: dict[str, tuple[ActionName, str]] = {
    "ack": ("acknowledge", "say that an alert was seen"),
    "unack": ("unacknowledge", "take back that an alert was seen"),
    "shelve": ("shelve", "no reminders of an alert for a time"),
    "unshelve": ("unshelve", "end the shelving of an alert"),
    "cause": ("cause", "write down the cause of an alert"),
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon log` takes."""
    config_argument(parser)
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    rows = parser.add_subparsers(dest="do", metavar="DO", required=True)
    show = rows.add_parser("show", help="the newest entries, oldest of them first")
    show.add_argument("--last", type=int, default=30, metavar="N", help="how many (30)")
    show.add_argument("--machine", default="", help="of one machine only")
    for word, (_, words) in _ACTS.items():
        row = rows.add_parser(word, help=words)
        row.add_argument("alert", metavar="ALERT", help="its id, from `condmon status --json`")
        if word == "cause":
            row.add_argument("text", metavar="TEXT")
        if word == "shelve":
            row.add_argument("--for", dest="length", required=True, metavar="TIME",
                             help='at most 7 d, such as "8 h"; shelving has an end')  # fmt: skip
    note = rows.add_parser("note", help="write a note about a machine")
    note.add_argument("machine", metavar="MACHINE", help=f'its id, or "{CONDMON}"')
    note.add_argument("text", metavar="TEXT")
    for word, do in (("out", "out of service"), ("back", "back to service")):
        row = rows.add_parser(word, help=f"take a check {do}")
        row.add_argument("machine", metavar="MACHINE")
        row.add_argument("check", metavar="CHECK")
        row.add_argument("text", metavar="REASON", nargs="?", default="")


def run(args: argparse.Namespace) -> int:
    """Show the log or act. Raises UsageError, ConfigError, StoreError, CondmonError."""
    config = load(args.config)
    if args.do == "show":
        with Reader(config.store.path) as reader:
            entries = reader.entries(max(1, min(args.last, 10_000)), args.machine or None)
        for entry in reversed(entries):
            _print(entry, config, as_json=args.json)
        return 0
    action = _action(args, config)
    entry = _act(config, action)
    _print(entry, config, as_json=args.json)
    return 1 if "was refused" in entry.text else 0


def _action(args: argparse.Namespace, config: Config) -> Action:
    now_us = Clock().now_us()
    if args.do in _ACTS:
        until_us = now_us + round(_length_s(args.length) * 1e6) if args.do == "shelve" else 0
        text = args.text if args.do == "cause" else ""
        return Action(now_us, _ACTS[args.do][0], _me(), args.alert, text=_some(text, args.do),
                      until_us=until_us)  # fmt: skip
    known = {CONDMON, *(machine.id for machine in config.settings.machines)}
    if args.machine not in known:
        raise UsageError(f'There is no machine "{args.machine}"; known are '
                         f"{', '.join(sorted(known))}.")  # fmt: skip
    if args.do == "note":
        text = _some(args.text, "note")
        return Action(now_us, "note", _me(), machine=args.machine, text=text)
    do: ActionName = "out_of_service" if args.do == "out" else "return_to_service"
    return Action(now_us, do, _me(), machine=args.machine, check=args.check, text=args.text[:600])


def _act(config: Config, action: Action) -> Entry:
    """Leave the action for the daemon and wait for what the log says of it."""
    folder = config.store.path
    if holder(folder) is None:
        raise CondmonError(
            "The daemon does not run, so nothing was done. Start it; an act is written down by it."
        )
    become_owner_of(folder)
    ask(folder, action)
    pause = threading.Event()
    with Reader(folder) as reader:
        for _ in range(round(ANSWER_S / LOOK_S)):
            for entry in reader.entries(50, kind="action"):
                if entry.at_us == action.at_us and entry.facts.get("by") == action.by:
                    return entry
            pause.wait(LOOK_S)
    raise CondmonError(
        f"The daemon has not written it down within {ANSWER_S:.0f} s; it may still do so. Look at "
        "`condmon log show` and `condmon status`."
    )


def _me() -> str:
    """Who asks, in the words of the system."""
    name = os.environ.get("SUDO_USER") or ""
    try:
        name = name or pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        name = f"user {os.getuid()}"
    return f"{name} (command line)"


def _some(text: str, do: str) -> str:
    text = " ".join(text.split())
    if do in {"note", "cause"} and not 1 <= len(text) <= 600:
        raise UsageError("Write 1 to 600 characters.")
    return text


def _length_s(text: str) -> float:
    length_s = parse_duration(text)
    if not length_s or not 60 <= length_s <= SHELVE_MAX_S:
        raise UsageError(f'--for {text!r}: give a time from "1 min" to "7 d".')
    return length_s


def _print(entry: Entry, config: Config, *, as_json: bool) -> None:
    if as_json:
        facts: dict[str, Any] = {
            "kind": "entry", "id": entry.id, "at": rfc3339(entry.at_us), "machine": entry.machine,
            "of": entry.kind, "text": entry.text, "facts": dict(entry.facts),
        }  # fmt: skip
        print(json.dumps(facts))
        return
    by = f" ({entry.facts['by']})" if entry.facts.get("by") else ""
    print(f"{config.settings.calendar.text(entry.at_us)}  {entry.machine:10} {entry.text}{by}")

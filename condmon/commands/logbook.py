"""`condmon log`: the machine event log on the command line, and acts on alerts without the page.

Acts go to the running daemon as records through the inbox, like those of the page; the answer is
what the log says of them. Everything else only reads.
"""

import argparse
import json
import sys
import threading
from pathlib import Path

from condmon import spans
from condmon.clock import Clock
from condmon.commands.owner import become_owner_of
from condmon.commands.users import config_argument, who_asks
from condmon.config import Config, load
from condmon.daemon.asked import ask
from condmon.engine.outputs import Entry
from condmon.engine.records import Action, ActionName
from condmon.engine.settings import CONDMON
from condmon.engine.words import parse_duration
from condmon.errors import CondmonError, UsageError
from condmon.ledger.export import csv_lines, json_lines, write_new
from condmon.ledger.show import entry_facts, entry_lines, verdict_facts, verdict_lines
from condmon.ledger.verify import verify
from condmon.store.chain import parse_head
from condmon.store.entries import EntryReader, Numbered, Wanted
from condmon.store.lock import holder

ANSWER_S = 10.0
LOOK_S = 0.1
SHELVE_MAX_S = 7 * 86400.0
SHOWN_MAX = 10_000
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
    _reading(rows)
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
    correct = rows.add_parser(
        "correct", help="put an entry right: a new one that points back to it"
    )
    correct.add_argument(
        "entry", metavar="ENTRY", help="its number, from `condmon log show`, or id"
    )
    correct.add_argument("text", metavar="TEXT", help="what is right")
    for word, do in (("out", "out of service"), ("back", "back to service")):
        row = rows.add_parser(word, help=f"take a check {do}")
        row.add_argument("machine", metavar="MACHINE")
        row.add_argument("check", metavar="CHECK")
        row.add_argument("text", metavar="REASON", nargs="?", default="")


def _reading(rows: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """What only reads."""
    show = rows.add_parser("show", help="the newest entries, oldest of them first")
    show.add_argument("--last", type=int, default=30, metavar="N", help="how many (30)")
    _narrow(show)
    export = rows.add_parser("export", help="entries as CSV or JSON lines, oldest first")
    _narrow(export)
    export.add_argument("-o", "--output", type=Path, required=True, metavar="OUT",
                        help="a new file, OUT.csv or OUT.jsonl")  # fmt: skip
    look = rows.add_parser(
        "verify", help="is every entry as it was written?",
        epilog="Exit code 1: something was edited, removed, put in, moved or cut off; it is named.",
    )  # fmt: skip
    look.add_argument("--head", action="append", default=[], metavar="HEAD",
                      help="a head noted before, NUMBER:HASH; may be given again")  # fmt: skip
    look.add_argument("--journal", type=Path, metavar="FILE",
                      help="another journal than that of the data folder")  # fmt: skip
    report = rows.add_parser(
        "report", help="the days around an event on one page that opens anywhere and prints"
    )
    report.add_argument("--machine", required=True, metavar="M", help="of which machine")
    spans.arguments(report)
    report.add_argument("-o", "--output", type=Path, required=True, metavar="OUT",
                        help="a new file, OUT.html")  # fmt: skip


def _narrow(row: argparse.ArgumentParser) -> None:
    row.add_argument("--machine", default="", metavar="M", help="of one machine only")
    row.add_argument("--kind", default="", help="such as alert, action, duty, sensor, gap, model")
    row.add_argument("--words", default="", help="all of them, each as the beginning of a word")
    spans.arguments(row)


def run(args: argparse.Namespace) -> int:
    """Show the log or act. Raises UsageError, ConfigError, StoreError, CondmonError."""
    for name, value in vars(args).items():
        if isinstance(value, str):  # half characters of a wrongly encoded terminal fit nowhere
            setattr(args, name, value.encode(errors="replace").decode())
    config = load(args.config)
    if args.do in _READS:
        return _READS[args.do](args, config)
    action = _action(args, config)
    entry = _act(config, action)
    with EntryReader(config.store.path) as reader:
        written = reader.entry_named(entry.id)
    assert written is not None, "an entry stays"
    _print([written], config, as_json=args.json)
    return 1 if "was refused" in entry.text else 0


def _show(args: argparse.Namespace, config: Config) -> int:
    with EntryReader(config.store.path) as reader:
        found = reader.find(_wanted(args, config), max(1, min(args.last, SHOWN_MAX)))[::-1]
        later = reader.corrections([one.entry.id for one in found])
    _print(found, config, later, as_json=args.json)
    return 0


def _export(args: argparse.Namespace, config: Config) -> int:
    output: Path = args.output
    if output.suffix not in {".csv", ".jsonl"}:
        raise UsageError(f"{output}: the name of an export ends in .csv or .jsonl")
    with EntryReader(config.store.path) as reader:
        wanted = _wanted(args, config)
        found = reader.each(wanted)
        write_new(output, json_lines(found) if output.suffix == ".jsonl"
                  else csv_lines(found, config.settings.calendar))  # fmt: skip
        count = reader.count(wanted)
    print(f"condmon: {count} entries written to {output}", file=sys.stderr)
    return 0


def _verify(args: argparse.Namespace, config: Config) -> int:
    heads = []
    for text in args.head:
        head = parse_head(text)
        if head is None:
            raise UsageError(
                f"--head {text}: this is no head; write it as verify printed it, NUMBER:HASH with "
                "64 hexadecimal digits"
            )
        heads.append(head)
    own = config.store.path
    verdict = verify(args.journal or own / "journal.db", heads, None if args.journal else own)
    if args.json:
        for facts in verdict_facts(verdict):
            print(json.dumps(facts))
    else:
        print("\n".join(verdict_lines(verdict, config.settings.calendar)))
    return 0 if verdict.whole else 1


def _report(args: argparse.Namespace, config: Config) -> int:
    from condmon.ledger.report import report  # charts need numpy, and pyarrow for sealed days

    output: Path = args.output
    span = spans.asked(args, config.settings)
    if span is None:
        raise UsageError("say which time: --day DAY, or --from TIME and --to TIME")
    if output.suffix != ".html":
        raise UsageError(f"{output}: the name of a report ends in .html")
    write_new(output, [report(config, args.machine, span, Clock().now_us())])
    print(f"condmon: report written to {output}", file=sys.stderr)
    return 0


_READS = {"show": _show, "export": _export, "verify": _verify, "report": _report}


def _wanted(args: argparse.Namespace, config: Config) -> Wanted:
    span = spans.asked(args, config.settings)
    if span is None:
        return Wanted(args.machine, args.kind, args.words)
    return Wanted(args.machine, args.kind, args.words, *span)


def _action(args: argparse.Namespace, config: Config) -> Action:
    now_us = Clock().now_us()
    if args.do in _ACTS:
        until_us = now_us + round(_length_s(args.length) * 1e6) if args.do == "shelve" else 0
        text = args.text if args.do == "cause" else ""
        return Action(now_us, _ACTS[args.do][0], who_asks(), args.alert, text=_some(text, args.do),
                      until_us=until_us)  # fmt: skip
    if args.do == "correct":
        with EntryReader(config.store.path) as reader:
            found = reader.entry_named(args.entry)
        if found is None:
            raise UsageError(f"There is no entry {args.entry}; `condmon log show` has the numbers.")
        return Action(now_us, "correct", who_asks(), machine=found.entry.machine,
                      text=_some(args.text, "note"), entry=found.entry.id)  # fmt: skip
    known = {CONDMON, *(machine.id for machine in config.settings.machines)}
    if args.machine not in known:
        raise UsageError(f'There is no machine "{args.machine}"; known are '
                         f"{', '.join(sorted(known))}.")  # fmt: skip
    if args.do == "note":
        text = _some(args.text, "note")
        return Action(now_us, "note", who_asks(), machine=args.machine, text=text)
    do: ActionName = "out_of_service" if args.do == "out" else "return_to_service"
    return Action(now_us, do, who_asks(), machine=args.machine, check=args.check,
                  text=args.text[:600])  # fmt: skip


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
    with EntryReader(folder) as reader:
        for _ in range(round(ANSWER_S / LOOK_S)):
            for entry in reader.entries(50, kind="action"):
                if entry.at_us == action.at_us and entry.facts.get("by") == action.by:
                    return entry
            pause.wait(LOOK_S)
    raise CondmonError(
        f"The daemon has not written it down within {ANSWER_S:.0f} s; it may still do so. Look at "
        "`condmon log show` and `condmon status`."
    )


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


def _print(
    found: list[Numbered],
    config: Config,
    later: dict[str, list[Numbered]] | None = None,
    *,
    as_json: bool,
) -> None:
    if as_json:
        for one in found:
            print(json.dumps(entry_facts(one)))
        return
    for line in entry_lines(found, later or {}, config.settings.calendar):
        print(line)

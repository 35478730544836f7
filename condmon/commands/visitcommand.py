"""Rows of `condmon service` for visits, the return-to-service run, and measurements."""

import argparse
import json
from collections.abc import Callable, Mapping
from typing import Any

from condmon.clock import parse_rfc3339
from condmon.commands.servicedesk import Desk
from condmon.commands.servicetext import entry_row
from condmon.commands.visittext import (
    CAUTION,
    evidence_words,
    series_line,
    series_row,
    series_words,
    steps_words,
    verdict_words,
    visit_line,
    visit_row,
    visit_words,
)
from condmon.engine.outputs import Entry
from condmon.engine.servicebook.fields import key_from
from condmon.engine.servicebook.series import Series
from condmon.engine.servicebook.visits import Visit
from condmon.engine.words import nearest
from condmon.errors import CondmonError, UsageError
from condmon.store.journal import Reader

Answer = list[tuple[dict[str, Any], str]]
"""Rows as JSON, and the same for people."""


def add(rows: Any) -> None:
    """Add the rows of this module to `condmon service`."""
    _visits(rows)
    _after(rows)
    _series(rows)


def _visits(rows: Any) -> None:
    listed = rows.add_parser("visits", help="every visit, the newest first")
    listed.add_argument("--machine", default="")
    show = rows.add_parser("visit", help="one visit: evidence, spares, parts, findings, run")
    show.add_argument("key", metavar="VISIT")
    plan = rows.add_parser("plan", help="plan a visit; condmon gathers evidence and spares for it")
    plan.add_argument("machine", metavar="MACHINE")
    plan.add_argument("title", metavar="TITLE")
    plan.add_argument("--key", default="", help="of a visit to plan anew, or for a new one")
    plan.add_argument("--for", dest="day", default="", metavar="DAY", help="such as 2026-11-25")
    plan.add_argument("--who", default="", metavar="TEXT")
    plan.add_argument("--text", default="", metavar="TEXT")
    begin = rows.add_parser("begin", help="work begins: alerts of the machine are only logged",
                            epilog=CAUTION)  # fmt: skip
    begin.add_argument("key", metavar="VISIT")
    begin.add_argument("--who", default="", metavar="TEXT")
    end = rows.add_parser("end", help="work is over: alerts speak again")
    end.add_argument("key", metavar="VISIT")
    end.add_argument("--text", default="", metavar="TEXT")
    part = rows.add_parser("part", help="parts of a visit: taken along, used, brought back")
    part.add_argument("key", metavar="VISIT")
    part.add_argument("name", metavar="PART")
    for how in ("taken", "used", "returned"):
        part.add_argument(f"--{how}", type=float, metavar="N")
    part.add_argument("--text", default="", metavar="TEXT")
    found = rows.add_parser("found", help="write down what was found at a visit")
    found.add_argument("key", metavar="VISIT")
    found.add_argument("text", metavar="TEXT")


def _after(rows: Any) -> None:
    for word, words in (
        ("run", "begin the return-to-service run after a visit, and say what to run"),
        ("judge", "compare the run so far with the baseline and the limits"),
        ("sign", "sign for a judged run that has not failed; a new baseline begins"),
    ):
        row = rows.add_parser(word, help=words, epilog=CAUTION if word == "run" else None)
        row.add_argument("key", metavar="VISIT")
        if word == "sign":
            row.add_argument("--text", default="", metavar="TEXT")
    base = rows.add_parser("baseline", help="begin a new baseline without a visit, such as after a "
                           "move: every comparison with the past begins anew")  # fmt: skip
    base.add_argument("machine", metavar="MACHINE")
    base.add_argument("text", metavar="REASON")


def _series(rows: Any) -> None:
    listed = rows.add_parser("series", help="every series of measurements and calibrations")
    listed.add_argument("--machine", default="")
    show = rows.add_parser("chart", help="one series: its values, limits and open question")
    show.add_argument("key", metavar="SERIES")
    new = rows.add_parser("new-series", help="add or change a series of measurements")
    new.add_argument("machine", metavar="MACHINE")
    new.add_argument("title", metavar="TITLE", help='such as "runout at the nose"')
    new.add_argument("--key", default="", help="of a series to change, or for a new one")
    new.add_argument("--unit", default="um", help="um, mm, tenths, thou, bar, kN, Cel ... (um)")
    for name, words in (
        ("nominal", "what it should be (0)"), ("tolerance", "how far off it may be"),
        ("least", "a smaller step is none"), ("resolution", "what the gauge can show"),
        ("target", "centre of the chart, where it is known"),
        ("sigma", "scatter of the chart, where it is known"),
    ):  # fmt: skip
        new.add_argument(f"--{name}", type=float, metavar="N", help=words)
    measure = rows.add_parser("measure", help="write down a measurement")
    measure.add_argument("key", metavar="SERIES")
    measure.add_argument("value", type=float, metavar="VALUE")
    measure.add_argument("--unit", default="", help="such as tenths; one tenth is 2.54 um")
    measure.add_argument("--when", choices=("before", "after"), help="the work of a visit")
    measure.add_argument("--visit", default="", metavar="KEY")
    measure.add_argument("--text", default="", metavar="TEXT")
    answer = rows.add_parser("answer", help="say whether the newest step of a series was expected")
    answer.add_argument("key", metavar="SERIES")
    answer.add_argument("yes", choices=("yes", "no"))
    answer.add_argument("--text", default="", metavar="TEXT")


def run(args: argparse.Namespace, desk: Desk) -> int:
    """Show or file one thing. Raises UsageError, StoreError, CondmonError."""
    for row, words in DOES[args.do](args, desk):
        print(json.dumps(row) if args.json else words)
    return 0


# visits


def _list_visits(args: argparse.Namespace, desk: Desk) -> Answer:
    if args.machine:
        desk.machine(args.machine)
    found = [
        v for v in reversed(desk.book.visits.known.values()) if args.machine in {"", v.machine}
    ]
    rows: Answer = [(visit_row(v), visit_line(v, desk.settings.calendar)) for v in found]
    return rows or [({"kind": "nothing"}, "No visit is in the book.")]


def _show_visit(args: argparse.Namespace, desk: Desk) -> Answer:
    visit = _visit(args, desk)
    return [(visit_row(visit), visit_words(visit, desk.settings.calendar))]


def _plan(args: argparse.Namespace, desk: Desk) -> Answer:
    content = _given(args, "title", "who", "text")
    if args.day:
        for_us = parse_rfc3339(f"{args.day}T12:00:00Z")
        if for_us is None:
            raise UsageError(f"--for {args.day!r}: give a day such as 2026-11-25.")
        content["for_us"] = for_us
    key = args.key or key_from(args.title, desk.book.visits.known)
    entry = desk.file(desk.machine(args.machine), "visit", key, **content)
    found = json.loads(str(_follows(desk, entry, "evidence").facts["content"]))
    words = "\n".join([entry.text, *evidence_words(found["lines"], found["spares"])])
    return [({**entry_row(entry), "evidence": found["lines"], "spares": found["spares"]}, words)]


def _filed(what: str, *names: str) -> Callable[[argparse.Namespace, Desk], Answer]:
    """File one thing about a visit, with the fields that were given."""

    def does(args: argparse.Namespace, desk: Desk) -> Answer:
        return _told(desk.file(_visit(args, desk).machine, what, args.key, **_given(args, *names)))

    return does


def _run(args: argparse.Namespace, desk: Desk) -> Answer:
    entry = desk.file(_visit(args, desk).machine, "trial", args.key)
    return [(entry_row(entry), "\n".join([entry.text, *steps_words()]))]


def _judge(args: argparse.Namespace, desk: Desk) -> Answer:
    entry = desk.file(_visit(args, desk).machine, "checked", args.key)
    found = json.loads(str(_follows(desk, entry, "verdict").facts["content"]))
    return [({"kind": "verdict", "key": args.key, **found}, "\n".join(verdict_words(found)))]


def _baseline(args: argparse.Namespace, desk: Desk) -> Answer:
    return _told(desk.file(desk.machine(args.machine), "baseline", "baseline", text=args.text))


# series


def _list_series(args: argparse.Namespace, desk: Desk) -> Answer:
    if args.machine:
        desk.machine(args.machine)
    found = [s for s in desk.book.series.known.values() if args.machine in {"", s.machine}]
    rows: Answer = [(series_row(s), series_line(s)) for s in found]
    return rows or [({"kind": "nothing"}, "No series is in the book.")]


def _chart(args: argparse.Namespace, desk: Desk) -> Answer:
    series = _one_series(args, desk)
    return [(series_row(series, whole=True), series_words(series, desk.settings.calendar))]


def _new_series(args: argparse.Namespace, desk: Desk) -> Answer:
    names = ("nominal", "tolerance", "least", "resolution", "target", "sigma")
    content = _given(args, "title", "unit") | _numbers(args, *names)
    key = args.key or key_from(args.title, desk.book.series.known)
    return _told(desk.file(desk.machine(args.machine), "series", key, **content))


def _measure(args: argparse.Namespace, desk: Desk) -> Answer:
    content = {"value": args.value, **_given(args, "unit", "when", "visit", "text")}
    return _told(desk.file(_one_series(args, desk).machine, "measured", args.key, **content))


def _answer(args: argparse.Namespace, desk: Desk) -> Answer:
    content = {"yes": args.yes == "yes", **_given(args, "text")}
    return _told(desk.file(_one_series(args, desk).machine, "expected", args.key, **content))


# what they share


def _visit(args: argparse.Namespace, desk: Desk) -> Visit:
    known = desk.book.visits.known
    if args.key not in known:
        raise UsageError(f'The book has no visit "{args.key}"{nearest(args.key, known)}.')
    return known[args.key]


def _one_series(args: argparse.Namespace, desk: Desk) -> Series:
    known = desk.book.series.known
    if args.key not in known:
        raise UsageError(f'The book has no series "{args.key}"{nearest(args.key, known)}.')
    return known[args.key]


def _given(args: argparse.Namespace, *names: str) -> dict[str, Any]:
    """The texts and numbers that were given."""
    texts = {name: getattr(args, name) for name in names if isinstance(getattr(args, name), str)}
    return {name: value for name, value in texts.items() if value} | _numbers(args, *names)


def _numbers(args: argparse.Namespace, *names: str) -> dict[str, Any]:
    return {n: getattr(args, n) for n in names if isinstance(getattr(args, n), float)}


def _told(entry: Entry) -> Answer:
    return [(entry_row(entry), entry.text)]


def _follows(desk: Desk, entry: Entry, what: str) -> Entry:
    """The line that condmon itself wrote because of another. Raises CondmonError."""
    with Reader(desk.config.store.path) as reader:
        for one in reader.entries(200, kind="service"):
            if (one.at_us, one.facts["what"], one.facts["key"]) == (
                entry.at_us, what, entry.facts["key"],
            ):  # fmt: skip
                return one
    raise CondmonError(f"The daemon has written no {what}; look at `condmon log show`.")


DOES: Mapping[str, Callable[[argparse.Namespace, Desk], Answer]] = {
    "visits": _list_visits, "visit": _show_visit, "plan": _plan,
    "begin": _filed("visit_begun", "who"), "end": _filed("visit_ended", "text"),
    "part": _filed("part", "name", "taken", "used", "returned", "text"),
    "found": _filed("finding", "text"), "run": _run, "judge": _judge,
    "sign": _filed("signed", "text"), "baseline": _baseline, "series": _list_series,
    "chart": _chart, "new-series": _new_series, "measure": _measure, "answer": _answer,
}  # fmt: skip

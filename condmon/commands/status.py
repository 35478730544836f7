"""`condmon status`: what the daemon of a data folder is doing. It only reads.

The daemon may run or not; the answer comes from the lock, the journal and the newest recordings.
"""

import argparse
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from condmon.clock import Clock, rfc3339
from condmon.config import Config, load
from condmon.engine.outputs import Alert
from condmon.engine.records import Beacon, Record, Samples
from condmon.engine.settings import Calendar
from condmon.engine.words import span
from condmon.errors import StoreError
from condmon.learning.models import models_of
from condmon.senders.topicstate import topic_state
from condmon.store.journal import Delivery, Reader
from condmon.store.lock import holder
from condmon.store.packing import PackingError, unpack

SILENT_S = 60.0
"""A running daemon writes a record each turn; none for so long means that it hangs."""

OLD_S = 600.0
"""No sample from any machine for so long means that the data are old."""

FAILED_LATELY_S = 86400.0
STUCK_S = 900.0
"""A message that was tried and has waited so long says that its way does not work."""

LOOK_BACK_BATCHES = 4000
SHOWN_MAX = 20
MODEL_ENTRIES = 400

Facts = dict[str, Any]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
                        help="the configuration (default: condmon.toml)")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="one JSON object on one line")
    parser.epilog = (
        "Exit code 0: the daemon runs, a sample came within the last "
        f"{OLD_S / 60:g} minutes, no delivery failed within the last 24 hours and every way to "
        "people works. Exit code 1: one of these is not so; the last lines say which. Exit code 2: "
        "the configuration has problems."
    )


def run(args: argparse.Namespace) -> int:
    """Tell the status; exit code 0 when all is in order, 1 when not."""
    config = load(args.config)
    found = look(config, Clock().now_us())
    if args.json:
        print(json.dumps(found))
    else:
        print("\n".join(readable(found)))
    return 0 if found["in_order"] else 1


def look(config: Config, now_us: int) -> Facts:
    """Gather everything there is to tell; a part that cannot be read is a problem in words."""
    folder, calendar = config.store.path, config.settings.calendar
    pid = holder(folder)
    found: Facts = {
        "kind": "status",
        "site": config.settings.site,
        "folder": str(folder),
        "running": pid is not None,
        "pid": pid,
        "problems": [] if pid is not None else ["the daemon does not run; start it"],
    }
    record_us, sample_us = _last_times(folder)
    try:
        with Reader(folder) as reader:
            # while a backlog is taken in, the beacons are older than the writing
            record_us = max(record_us or 0, reader.written_us()) or None
            found |= _journal(reader, calendar, now_us)
    except StoreError as error:
        found["problems"].append(str(error))
    if config.alert_topic and pid is not None:
        state = topic_state(folder)
        found["alert_topic"] = state[1] if state else "nothing has been put there yet"
    found["record"] = _moment(record_us, calendar, now_us)
    found["sample"] = _moment(sample_us, calendar, now_us)
    found["problems"] += _problems(found)
    found["in_order"] = not found["problems"]
    return found


def _journal(reader: Reader, calendar: Calendar, now_us: int) -> Facts:
    link = next(iter(reader.entries(limit=1, kind="link")), None)
    failed = reader.deliveries("failed")
    waiting = reader.deliveries("waiting") + reader.deliveries("leased")
    since_us = now_us - FAILED_LATELY_S * 1e6
    stuck_us = now_us - STUCK_S * 1e6
    lately = [d for d in failed if (d.done_us or 0) >= since_us]
    return {
        "link": link and {"text": link.text, **_some_moment(link.at_us, calendar, now_us)},
        "alerts": [_alert(alert, calendar, now_us) for alert in reader.alerts(open_only=True)],
        "waiting": len(waiting),
        "oldest_waiting": _moment(
            min((d.born_us for d in waiting), default=None), calendar, now_us
        ),
        "waiting_for": sorted({f"{d.route}: {d.reason}" for d in waiting if d.reason}),
        "stuck": sorted({d.route for d in waiting if d.tries and d.born_us < stuck_us}),
        "failed": len(failed),
        "failed_lately": [_delivery(d, calendar, now_us) for d in lately],
        "snapshot": _moment(reader.snapshot_us() or None, calendar, now_us),
        "models": [
            {"machine": e.machine, **told, **_some_moment(e.at_us, calendar, now_us)}
            for e, told in models_of(reader.entries(limit=MODEL_ENTRIES, kind="model"))
        ],
    }


def _alert(alert: Alert, calendar: Calendar, now_us: int) -> Facts:
    return {
        "id": alert.id,
        "machine": alert.machine,
        "machine_name": alert.machine_name,
        "check": alert.check,
        "urgency": alert.urgency,
        "state": alert.state,
        "judged": alert.judged,
        "count": alert.count,
        "title": alert.title,
        **_some_moment(alert.began_us, calendar, now_us),
    }


def _delivery(delivery: Delivery, calendar: Calendar, now_us: int) -> Facts:
    return {
        "key": delivery.key,
        "route": delivery.route,
        "title": delivery.message.title,
        "reason": delivery.reason,
        **_some_moment(delivery.done_us or delivery.born_us, calendar, now_us),
    }


def _moment(at_us: int | None, calendar: Calendar, now_us: int) -> Facts | None:
    return None if at_us is None else _some_moment(at_us, calendar, now_us)


def _some_moment(at_us: int, calendar: Calendar, now_us: int) -> Facts:
    age_s = round(max(0.0, (now_us - at_us) / 1e6), 1)
    return {"at": rfc3339(at_us), "local": calendar.text(at_us), "age_s": age_s}


def _problems(found: Facts) -> Iterator[str]:
    record, sample = found["record"], found["sample"]
    if found["running"] and record and record["age_s"] > SILENT_S:
        yield f"the daemon has written nothing for {span(record['age_s'])}; restart it"
    if sample and sample["age_s"] > OLD_S:
        yield f"the data are old: no sample for {span(sample['age_s'])}; look at link and sensors"
    if not sample:
        yield "no sample has come lately; look at link, topics and sensors"
    for route in found.get("stuck", []):
        yield f"messages for {route} do not get through; the reason stands above"
    if found.get("alert_topic"):
        yield f"the alert topic does not show what is so: {found['alert_topic']}"
    if found.get("failed_lately"):
        count = len(found["failed_lately"])
        yield f"{count} deliveries failed within 24 h: people were not told; put the route right"


def _last_times(folder: Path) -> tuple[int | None, int | None]:
    """When the newest record and the newest sample came, as far back as is quickly read."""
    record_us: int | None = None
    for records in _newest_batches(folder):
        for record in reversed(records):
            if record_us is None and isinstance(record, Beacon):
                record_us = record.at_us
            if isinstance(record, Samples) and len(record):
                sample_us = int(record.arrived_us.max())
                return record_us or sample_us, sample_us
    return record_us, None


def _newest_batches(folder: Path) -> Iterator[list[Record]]:
    # names sort by day; a day begun anew after damage has a number behind the date
    days = sorted({path.name[:17] for path in folder.glob("stream-*.db")}, reverse=True)[:2]
    left = LOOK_BACK_BATCHES
    for day in days:
        for path in sorted(folder.glob(f"{day}*.db"), key=lambda p: (len(p.name), p.name))[::-1]:
            for content in _contents(path, left):
                left -= 1
                try:
                    yield unpack(content, lambda column: column)[0]
                except PackingError:  # the daemon says so in its log when it meets it
                    continue


def _contents(path: Path, limit: int) -> Iterator[bytes]:
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as db:
            rows = db.execute(
                "SELECT content FROM batches ORDER BY offset DESC LIMIT ?", (max(0, limit),)
            )
            for (content,) in rows:
                yield content
    except sqlite3.Error:  # damaged, or not ours to read: then nothing is known from it
        return


def readable(found: Facts) -> Iterator[str]:
    """Give the status as lines for a person."""
    if found["running"]:
        yield f"condmon runs (pid {found['pid']}) for {found['site']}"
    else:
        yield f"condmon does not run for {found['site']} (data folder {found['folder']})"
    yield f"last record    {_ago(found['record'])}"
    yield f"last sample    {_ago(found['sample'])}"
    if "alerts" in found:
        yield from _readable_journal(found)
    yield ""
    if found["in_order"]:
        yield "In order."
    for problem in found["problems"]:
        yield f"Not in order: {problem}"


def _readable_journal(found: Facts) -> Iterator[str]:
    link = found["link"]
    yield f"link           {link['text'] + ', ' if link else ''}{_ago(link)}"
    yield f"last snapshot  {_ago(found['snapshot'])}"
    waiting = f"{found['waiting']} waiting"
    if found["oldest_waiting"]:
        waiting += f" (oldest since {_ago(found['oldest_waiting'])})"
    yield f"deliveries     {waiting}, {found['failed']} failed"
    for reason in found["waiting_for"][:SHOWN_MAX]:
        yield f"  waits   {reason}"
    for delivery in found["failed_lately"][:SHOWN_MAX]:
        yield f"  failed  {delivery['route']}: {delivery['title']}: {delivery['reason']}"
    yield f"models         {len(found['models']) or 'none yet'}"
    for model in found["models"]:
        yield f"  {model['machine']} {model['model']}: since {_ago(model)}: {model['words']}"
    yield f"open alerts    {len(found['alerts']) or 'none'}"
    for alert in found["alerts"]:
        yield f"  {alert['urgency'].upper():6}{alert['machine_name']}: {alert['title']}"
        times = f", came {alert['count']} times" if alert["count"] > 1 else ""
        known = "" if alert["judged"] else ", cannot be judged now"
        yield f"        {alert['state'].replace('_', ', ', 1)} since {_ago(alert)}{times}{known}"


def _ago(moment: Facts | None) -> str:
    return f"{moment['local']} ({span(moment['age_s'])} ago)" if moment else "none known"

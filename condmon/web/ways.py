"""Ways to people: which way out works, what waits, what failed, when a message last got through.

Here a phone asks for notifications, and a person has a test message sent.
"""

import sqlite3
from contextlib import closing
from typing import Annotated, NamedTuple

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import Response

from condmon.config.ways import Way, ways_of
from condmon.delivery.plandue import put_test
from condmon.delivery.tellnow import NOT_HERE
from condmon.engine.settings import CONDMON
from condmon.errors import StoreError
from condmon.senders.topicstate import topic_state
from condmon.store.journal import Delivery
from condmon.store.journal_file import connect, words
from condmon.web.parts import Parts, back_to, needs, parts_of, phone_of, shown
from condmon.web.reading import PageReader

router = APIRouter(include_in_schema=False)

SHOWN = 10
OLD_US = 900_000_000
"""A message that has waited so long says that a way does not work."""

STATE_OLD_US = 180_000_000
"""The alert topic writes down each minute how it does."""


class Shown(NamedTuple):
    """One way and how it does; `trouble` is empty when nothing speaks against it."""

    way: Way
    last_sent_us: int | None
    last_test_us: int | None
    trouble: str
    newest: list[Delivery]


class Notifying(NamedTuple):
    """Notifications on the phone that asks: whether they are on, the key to ask with, for whom."""

    on: bool
    key: str
    people: str  # empty: everyone


@router.get("/ways")
@needs("viewer")
def ways_page(request: Request) -> Response:
    """Every way with its newest deliveries."""
    parts = parts_of(request)
    wording = parts.wording()
    with parts.reader() as reader:
        ways = [_way(reader, way, wording.now_us) for way in ways_of(parts.config)]
    return shown(
        request, "ways.html", wording=wording, ways=ways, topic=parts.config.alert_topic,
        topic_trouble=_topic_trouble(parts, wording.now_us),
        notifying=_notifying(parts, phone_of(request).id, phone_of(request).account),
    )  # fmt: skip


@router.post("/ways/test")
@needs("operator")
def send_test(request: Request) -> Response:
    """Have a test message sent by every way."""
    parts = parts_of(request)
    routes = [way.name for way in ways_of(parts.config)]
    if not routes:
        raise HTTPException(404, "There is no way to people to test.")
    now_us = parts.clock.now_us()
    with parts.reader() as reader:
        path = reader.path
    try:
        with closing(connect(path)) as db:
            put_test(db, routes, now_us, now_us)
    except sqlite3.Error as error:
        raise StoreError(words(path, error)) from error
    return _told(request, "a test message was sent by every way")


@router.post("/ways/push")
@needs("viewer")
def notify_here(
    request: Request,
    endpoint: Annotated[str, Form(max_length=1000)],
    public: Annotated[str, Form(max_length=120)],
    auth: Annotated[str, Form(max_length=60)],
) -> Response:
    """Notify the phone that asks, from now on; its browser made the address and the keys."""
    from condmon.senders import sealing
    from condmon.senders.subscriptions import Subscriptions

    parts, phone = parts_of(request), phone_of(request)
    hosts = [host for push in parts.config.pushes for host in push.hosts]
    try:
        receiver = sealing.Receiver(sealing.from_text(public), sealing.from_text(auth))
    except ValueError:
        raise HTTPException(400, "The keys of this subscription cannot be read.") from None
    subscriptions = Subscriptions(parts.folder)
    subscriptions.put(phone.id, endpoint, receiver, hosts, parts.clock.now_us())
    return _told(request, f"{phone.name} of {phone.account} gets notifications")


@router.post("/ways/push/off")
@needs("viewer")
def notify_no_more(request: Request) -> Response:
    """Notify the phone that asks no more."""
    from condmon.senders.subscriptions import Subscriptions

    parts, phone = parts_of(request), phone_of(request)
    if not Subscriptions(parts.folder).remove(phone.id):
        return back_to("/ways")
    return _told(request, f"{phone.name} of {phone.account} gets no more notifications")


def _way(reader: PageReader, way: Way, now_us: int) -> Shown:
    found = reader.deliveries_of(way.name, 4 * SHOWN)
    newest = [one for one in found if one.reason != NOT_HERE][:SHOWN]
    waiting_us = reader.oldest_waiting_us(way.name)
    trouble = ""
    held = next((d for d in newest if d.state in {"waiting", "leased"} and d.tries), None)
    done = next((d for d in newest if d.state in {"sent", "failed"}), None)
    if done and done.state == "failed":
        trouble = f"the last message failed: {done.reason}"
    elif held:
        trouble = f"a message waits: {held.reason}"
    elif waiting_us is not None and now_us - waiting_us > OLD_US:
        trouble = "a message has waited for more than 15 minutes"
    return Shown(way, reader.last_sent_us(way.name), reader.last_test_us(way.name), trouble, newest)


def _topic_trouble(parts: Parts, now_us: int) -> str:
    state = topic_state(parts.folder)
    if state is None:
        return "nothing has been put there yet"
    at_us, trouble = state
    if not trouble and now_us - at_us > STATE_OLD_US:
        return "it has not been looked at for more than 3 minutes"
    return trouble


def _notifying(parts: Parts, phone_id: str, account: str) -> Notifying | None:
    """None where nobody is notified, or not this one."""
    pushes = parts.config.pushes
    if not pushes:
        return None
    from condmon.senders import sealing
    from condmon.senders.subscriptions import Subscriptions

    on = any(one.phone == phone_id for one in Subscriptions(parts.folder).of())
    key = sealing.to_text(sealing.public_point(sealing.own_key(parts.folder)))
    told = any(not push.people or account in push.people for push in pushes)
    people = "" if told else ", ".join(sorted({p for push in pushes for p in push.people}))
    return Notifying(on, key, people)


def _told(request: Request, text: str) -> Response:
    """Write into the log what was done, and show the ways again."""
    entry = parts_of(request).live.act(
        "note", phone_of(request).account, machine=CONDMON, text=text
    )
    return back_to("/ways", entry.id if entry else "later")

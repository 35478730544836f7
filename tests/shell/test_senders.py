"""From the journal to real receivers: the words people get, and no secret anywhere else."""

import json
from pathlib import Path
from random import Random

import pytest
from structlog.testing import capture_logs

from condmon.config import Broker, Config, Email, Store, Webhook
from condmon.delivery.outbox import Outbox
from condmon.senders import make
from condmon.senders.words import compose
from condmon.store.journal import Journal, Route
from tests.brokers import free_port
from tests.fakes import FakeClock
from tests.letters import MINUTE_US, NOW_US, SITE, alert, ended, message
from tests.receivers import Answer, MailServer, certificate, mail, server_context, web

__all__ = ["mail", "web"]

ALL = ("now", "today", "note")
BROKER = Broker("127.0.0.1", 1883, False, None, None, None, None, None, "condmon")


def config(folder, webhooks=(), emails=()):
    return Config(
        Path("condmon.toml"), SITE, BROKER, Store(folder), tuple(webhooks), tuple(emails), ()
    )


def post(port, to=("ola@pier.example",), **more):
    security, username = more.get("security", "none"), more.get("username")
    return Email("post", "127.0.0.1", port, security, username, more.get("password_file"),
                 "condmon@pier.example", to, ALL, 2.0)  # fmt: skip


def send_all(folder, senders, outputs, for_s=0.0):
    """Write the outputs, do what is due within the time, give the deliveries."""
    clock = FakeClock(NOW_US)
    journal = Journal(folder)
    routes = [Route(sender.name, sender.urgencies) for sender in senders]
    journal.write(outputs, 1, routes, NOW_US)
    outbox = Outbox(journal.path, senders, clock, SITE, Random(3))
    end_us = NOW_US + for_s * 1e6
    while (wait_s := outbox.step()) is not None and clock.now_us() + wait_s * 1e6 <= end_us:
        clock.pass_s(wait_s)
    outbox.close()
    deliveries = journal.deliveries()
    journal.close()
    return deliveries


# words


def test_text_keeps_the_order_a_reader_at_night_needs():
    title, text = compose("raised", message(), [alert()], SITE.site, SITE.calendar, NOW_US)
    parts = [
        "NOW: Mill 1",
        "oil missing, spindle turning",
        "Since 2026-11-25 03:13:05 (60 s ago)",
        "No oil pulse for 95 s at 8000 rpm; normal is one every 30 s.",
        "Why it matters: The bearings run dry.",
        "Look at this first:\n1. The oil bottle\n2. The oil line",
        "If nobody acts: The bearings wear within minutes.",
        "Seen by: nobody yet",
        "Caution: The spindle may still coast.",
        "condmon only watches: it stops no machine and is no safety device.",
        "North Pier Optics",
    ]
    places = [text.index(part) for part in parts]
    assert sorted(places) == places
    assert title[:40] == "Mill 1 NOW: oil missing, spindle turning"


@pytest.mark.parametrize("telling", ["raised", "reminder", "handed_over", "ended", "story"])
def test_first_40_characters_name_machine_urgency_and_fault_even_with_a_long_name(telling):
    about = alert(machine_name="Five-axis mill by the window in hall two", machine="mill-1")
    title, text = compose(
        telling, message(step=2), [about], SITE.site, SITE.calendar, NOW_US + 60 * MINUTE_US
    )
    assert title.startswith("mill-1 ")
    assert "oil missing" in title[:40]
    assert "Five-axis mill by the window in hall two" in text


def test_end_asks_for_the_cause_and_names_no_threat():
    _, text = compose("ended", message(), [ended()], SITE.site, SITE.calendar, NOW_US)
    assert "Cause: nobody has written it down yet" in text
    assert "If nobody acts" not in text
    _, text = compose("ended", message(), [ended(cause="hose")], "", SITE.calendar, NOW_US)
    assert "Cause: hose" in text


def test_alert_that_cannot_be_judged_says_so():
    _, text = compose("raised", message(), [alert(judged=False)], "", SITE.calendar, NOW_US)
    assert "It cannot be judged now" in text


def test_empty_parts_leave_no_empty_headings():
    bare = alert(what="", why="", look_first=(), if_nobody="", caution="")
    _, text = compose("raised", message(), [bare], "", SITE.calendar, NOW_US)
    assert not any(word in text for word in ("Why", "Look", "If nobody", "Caution"))


# make


def test_make_gives_one_sender_for_each_route(tmp_path):
    hook = Webhook("board", "http://127.0.0.1:1/", None, ("now",))
    made = make(config(tmp_path, [hook], [post(25)]))
    assert [("board", ("now",)), ("post", ALL)] == [(s.name, s.urgencies) for s in made]


def test_one_alert_reaches_webhook_and_mailbox(tmp_path, web, mail):
    senders = make(config(tmp_path, [Webhook("board", web.url, None, ALL)], [post(mail.port)]))
    states = {d.route: d.state for d in send_all(tmp_path, senders, [alert(), message()])}
    assert {"board": "sent", "post": "sent"} == states
    assert "alert-1:raised:0:board" == web.requests[0].event["id"]
    assert "Mill 1 NOW: oil missing, spindle turning" == mail.mails[0].parsed["Subject"]


def test_mail_answered_451_is_taken_at_the_next_try_and_550_is_kept_as_failed(tmp_path, mail):
    mail.answers = ["451 later", "250 OK", "550 never"]
    senders = make(config(tmp_path, [], [post(mail.port)]))
    outputs = [alert(1), message(1)]
    assert ["sent"] == [d.state for d in send_all(tmp_path, senders, outputs, 60)]
    (_, failed) = send_all(tmp_path, senders, [alert(2), message(2)])
    assert ("failed", 1) == (failed.state, failed.tries)
    assert "550 never" in failed.reason


def test_webhook_answered_429_waits_as_long_as_it_was_asked_to(tmp_path, web):
    web.answers = [Answer(429, {"Retry-After": "90"})]
    senders = make(config(tmp_path, [Webhook("board", web.url, None, ALL)]))
    (waiting,) = send_all(tmp_path, senders, [alert(), message()], 60)
    assert ("waiting", NOW_US + 90_000_000) == (waiting.state, waiting.due_us)


# secrets


def test_no_secret_reaches_a_log_an_error_or_the_journal(tmp_path, web, monkeypatch):
    """Every way to fail is taken; then everything written is searched for the secrets."""
    key, password = "winter-sea-4711", "Driftwood-0815"
    (tmp_path / "hook.secret").write_text(key)
    (tmp_path / "mail.password").write_text(password)
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "cert.pem"))
    shop = MailServer(server_context(certificate(tmp_path)), ("condmon", "another"))
    file, login = tmp_path / "hook.secret", {"username": "condmon", "security": "starttls"}
    hooks = [
        Webhook("refusing", web.url + "&token=" + key, file, ALL),
        Webhook("nobody", f"http://127.0.0.1:{free_port()}/{key}", file, ALL),
        Webhook("no-tls", f"https://127.0.0.1:{web.port}/{key}", file, ALL),
    ]
    mails = [
        post(shop.port, password_file=tmp_path / "mail.password", **login),
        post(free_port(), password_file=tmp_path / "mail.password", **login),
    ]
    web.otherwise = lambda _: Answer(401)
    store = tmp_path / "store"
    with capture_logs() as logs:
        deliveries = send_all(store, make(config(store, hooks, mails)), [alert(), message()], 30)
    shop.close()
    assert 401 == int(next(d.reason for d in deliveries if d.route == "refusing").split()[3][:3])
    assert len(logs) >= 4
    written = json.dumps(logs).encode() + b"".join(
        path.read_bytes() for path in store.iterdir() if path.is_file()
    )
    assert b"the receiver answered 401" in written
    for hidden in (key.encode(), password.encode()):
        assert hidden not in written

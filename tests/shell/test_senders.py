"""From the journal to real receivers: the words people get, and no secret anywhere else."""

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from random import Random

import pytest
from structlog.testing import capture_logs

from condmon.config import Broker, Config, Email, Store, Webhook
from condmon.journal import Journal, Reader, Route
from condmon.outbox import Outbox
from condmon.senders import make
from condmon.senders.words import compose
from tests.brokers import free_port
from tests.fakes import FakeClock
from tests.letters import MINUTE_US, NOW_US, SITE, alert, ended, message
from tests.receivers import Answer, MailServer, Web, certificate, mail, server_context, web
from tests.waiting import until

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


@pytest.mark.parametrize("telling", ["raised", "reminder", "ended", "story"])
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


# killed at any moment

WORKER = """
import os, sys, threading
from pathlib import Path
from condmon import log
from condmon.clock import Clock
from condmon.config import Webhook
from condmon.outbox import Outbox
from condmon.senders.webhook import WebhookSender
from tests.letters import SITE

log.set_up(open(os.devnull, "wb"))
folder, url = sys.argv[1:]
for _ in sys.stdin:
    pid = os.fork()
    if pid == 0:
        sender = WebhookSender(Webhook("phone", url, None, ("now", "today", "note")))
        Outbox(Path(folder) / "journal.db", [sender], Clock(speed=20), SITE).run(threading.Event())
    print(pid, flush=True)
    os.waitpid(pid, 0)
    print("ended", flush=True)
"""
ROUNDS = 25
MESSAGES = 250


@pytest.mark.slow
def test_outbox_killed_at_random_moments_loses_nothing_and_repeats_only_with_the_same_key(tmp_path):
    """The receiver answers one in four with 503 and takes its time, so that kills hit any step."""
    chance, pause = Random(11), threading.Event()

    def answer(request):
        pause.wait(0.02)
        return Answer(503 if chance.random() < 0.25 else 200)

    receiver = Web(answer)
    taken = receiver.taken
    journal = Journal(tmp_path)
    root = Path(__file__).resolve().parents[2]
    worker = subprocess.Popen(
        [sys.executable, "-c", WORKER, str(tmp_path), receiver.url],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root, text=True,
    )  # fmt: skip
    pid = 0
    try:
        for turn in range(ROUNDS):
            each = MESSAGES // ROUNDS
            rows = range(turn * each, (turn + 1) * each)
            written = [one for n in rows for one in (alert(n), message(n, at_us=NOW_US + n))]
            journal.write(written, turn + 1, [Route("phone", ALL)], NOW_US)
            pid = start(worker)
            seen = len(receiver.requests)
            until(lambda seen=seen: len(receiver.requests) > seen, 20, "it works")
            pause.wait(chance.uniform(0, 0.3))
            end(worker, pid)
        pid = start(worker)
        until(lambda: len(set(taken)) == MESSAGES, 30, "all are taken")
        with Reader(tmp_path) as reader:
            until(lambda: len(reader.deliveries("sent")) == MESSAGES, 30, "all are marked")
        end(worker, pid)
        pid = 0
    finally:
        if pid:
            os.kill(pid, signal.SIGKILL)
        worker.stdin.close()
        worker.wait(10)
        worker.stdout.close()
        receiver.close()
        journal.close()
    expected = {f"alert-{n}:raised:0:phone" for n in range(MESSAGES)}
    assert expected == set(taken)
    # at most the one delivery under way at each kill was taken twice
    assert MESSAGES <= len(taken) <= MESSAGES + ROUNDS


def start(worker):
    worker.stdin.write("start\n")
    worker.stdin.flush()
    return int(worker.stdout.readline())


def end(worker, pid):
    os.kill(pid, signal.SIGKILL)
    assert "ended\n" == worker.stdout.readline()

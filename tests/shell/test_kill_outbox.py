"""kill -9 of what writes alerts and of what sends them, again and again: no alert is lost."""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from random import Random

import pytest

from condmon.store.journal import Reader
from tests.receivers import Answer, Web
from tests.waiting import until

ROOT = Path(__file__).resolve().parents[2]
WORKER = """
import os, sys, threading
from pathlib import Path
from condmon import log
from condmon.clock import Clock
from condmon.config import Webhook
from condmon.store.journal import Journal, Route
from condmon.delivery.outbox import Outbox
from condmon.senders.webhook import WebhookSender
from tests.letters import SITE, alert, message

log.set_up(open(os.devnull, "wb"))
folder, what = Path(sys.argv[1]), sys.argv[2]
ALL = ("now", "today", "note")

def send():
    sender = WebhookSender(Webhook("phone", what, None, ALL))
    Outbox(folder / "journal.db", [sender], Clock(speed=20), SITE).run(threading.Event())

def write():
    journal = Journal(folder)
    ahead_us = Clock().now_us() + 3_600_000_000  # never late, so that each is told by itself
    number = len(journal.alerts())
    with (folder / "written").open("a") as told:
        while True:
            journal.write([alert(number), message(number, at_us=ahead_us)], number + 1,
                          [Route("phone", ALL)], Clock().now_us())
            told.write(f"{number} ")
            told.flush()
            number += 1
            threading.Event().wait(0.01)

for _ in sys.stdin:
    pid = os.fork()
    if pid == 0:
        write() if what == "write" else send()
    print(pid, flush=True)
    os.waitpid(pid, 0)
    print("ended", flush=True)
"""


class Worker:
    """Forks a process that does one job until it is killed, as often as it is asked to."""

    def __init__(self, folder: Path, what: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", WORKER, str(folder), what],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT, text=True,
        )  # fmt: skip
        self._pid = 0

    def start(self) -> None:
        self._process.stdin.write("start\n")
        self._process.stdin.flush()
        self._pid = int(self._process.stdout.readline())

    def kill(self) -> None:
        os.kill(self._pid, signal.SIGKILL)
        assert "ended\n" == self._process.stdout.readline()
        self._pid = 0

    def close(self) -> None:
        if self._pid:
            self.kill()
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()


@pytest.mark.slow
@pytest.mark.parametrize("rounds", [5, pytest.param(100, marks=pytest.mark.long)])
def test_killed_writer_and_sender_lose_no_alert_and_repeat_only_with_the_same_key(
    tmp_path, rounds, capsys
):
    """The receiver answers one in four with 503 and takes its time, so that kills hit any step."""
    chance, pause = Random(11), threading.Event()

    def answer(request):
        pause.wait(0.01)
        return Answer(503 if chance.random() < 0.25 else 200)

    receiver = Web(answer)
    writer, sender = Worker(tmp_path, "write"), Worker(tmp_path, receiver.url)
    try:
        for turn in range(rounds):
            writer.start()
            until(lambda: (tmp_path / "written").exists(), 20, "it writes")
            sender.start()
            seen = len(receiver.requests)
            until(lambda seen=seen: len(receiver.requests) > seen, 20, "it sends")
            pause.wait(chance.uniform(0, 0.3))
            first, second = (writer, sender) if turn % 2 else (sender, writer)
            first.kill()
            second.kill()
        sender.start()
        with Reader(tmp_path) as reader:
            count = len(reader.deliveries())
            until(lambda: len(reader.deliveries("sent")) == count, 120, "all are marked")
            ids = {alert.id for alert in reader.alerts()}
        sender.kill()
    finally:
        writer.close()
        sender.close()
        receiver.close()
    told = {f"alert-{number}" for number in (tmp_path / "written").read_text().split()}
    twice = len(receiver.taken) - len(ids)
    with capsys.disabled():
        print(
            f"\n  {rounds} kills of each: {len(ids)} alerts written, {len(told - ids)} lost "
            f"in writing, {len(ids) - len(set(receiver.taken))} in sending, {twice} sent twice"
        )
    assert set() == told - ids  # what was said to be written is written
    assert {f"{alert}:raised:0:phone" for alert in ids} == set(receiver.taken)
    assert len(ids) >= rounds
    # at most the one delivery under way at each kill was taken twice
    assert len(ids) <= len(receiver.taken) <= len(ids) + rounds

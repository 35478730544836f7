"""The daemon. Constructs everything; `Service.step` is the whole turn.

A turn takes what came in, writes it down, tells the broker that it is safe, lets the engine judge
it and writes what is to be told; the outbox tells it, in its own thread.
"""

import os
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from condmon import __version__, log
from condmon.clock import Clock, SiteCalendar, rfc3339
from condmon.config import Config
from condmon.daemon.asked import Asked
from condmon.daemon.decoding import Decoding
from condmon.daemon.ownhealth import OwnHealth
from condmon.daemon.pace import Pace
from condmon.daemon.rhythm import Rhythm
from condmon.daemon.standing import Standing
from condmon.daemon.systemd import leave, notify
from condmon.daemon.timeserver import TimeServer
from condmon.daemon.watchdog import Watchdog
from condmon.delivery.directly import Directly
from condmon.delivery.outbox import Outbox
from condmon.delivery.plan import routes_of, routing_of
from condmon.digest.due import MorningNote
from condmon.engine.decode import Decoder
from condmon.engine.outputs import Output
from condmon.engine.records import Action, Beacon, Gap, Record, Started
from condmon.engine.settings import CONDMON
from condmon.engine.view import View
from condmon.errors import StoreError
from condmon.history.chore import Nightly
from condmon.influx import mirror
from condmon.jobs import MOVED_S, Jobs
from condmon.learning.models import Models
from condmon.ledger.daily import DailyLook
from condmon.life import Life
from condmon.memory import give_back
from condmon.mqtt.client import Mqtt
from condmon.mqtt.inbox import Inbox
from condmon.senders import Sender, followers
from condmon.store import inforce
from condmon.store.changes import changed
from condmon.store.journal import Journal
from condmon.store.lock import Lock
from condmon.store.rawkeep import RawKeep
from condmon.store.recorder import Recorder
from condmon.store.spool import Spool

if TYPE_CHECKING:
    from condmon.web.server import Page

MESSAGES_A_TURN = 2000
BEACON_EVERY_S = 0.5  # while nothing comes in
SNAPSHOT_EVERY_S = 600.0
AWAY_US = 60_000_000
DAY_US = 86_400_000_000
PLAUSIBLE_US = 1_735_689_600_000_000  # 2025-01-01: a clock before this was never set
OUTPUTS_KEPT_MAX = 20_000  # while the journal cannot be written
VIEW_EVERY_S = 1.0
GIVE_BACK_EVERY_S = 60.0  # or memory creeps up to what the largest burst needed
STOP_S = 1.0
_log = log.get("service")


class Service:
    """Everything that lives while condmon watches.

    Parameters
    ----------
    config : Config
        What to watch, where to listen, where to keep things.
    clock : Clock
        The only source of time.
    senders : sequence of Sender
        The ways to people.

    Raises LockedError when another process has the data folder, StoreError when it cannot be used.
    """

    def __init__(self, config: Config, clock: Clock, senders: Sequence[Sender] = ()) -> None:
        settings, folder = config.settings, config.store.path
        self._config = config
        self._clock = clock
        self._routes = routes_of(config, senders)
        self._unwritten: list[Output] = []
        self._stopping = threading.Event()
        self._life = Life()
        self._snapshot_asked = threading.Event()
        self._repeats = log.Repeats(_log, clock.monotonic_s)
        self._lock = Lock(folder)
        self.journal = Journal(folder)
        self.recorder = Recorder(folder, settings.signals, clock.now_us, self.journal.offset())
        self.inbox = Inbox(clock.now_us)
        put, now_us, monotonic_s = self.inbox.put_action, clock.now_us, clock.monotonic_s
        tickets_max = config.broker.receive_maximum // 2
        self._spool = Spool(self.recorder, tickets_max, now_us, monotonic_s, put)
        self._raw = RawKeep(folder, config.store.keep_raw_s, now_us, monotonic_s)
        self._watchdog = Watchdog(
            monotonic_s, self._threads, self._life.late, self._stopping, self.note
        )
        self.standing = Standing(
            settings, self.journal, self.recorder, folder, self._write, self._watchdog.feed
        )
        calendar = settings.calendar
        zone = calendar.offset_s if isinstance(calendar, SiteCalendar) else None
        decoder = Decoder(settings, zone, config.broker.payload_bytes_max)
        self._decoding = Decoding(decoder, self._repeats)
        topics = [s.topic for s in settings.signals if s.topic] + list(config.broker.also)
        self.mqtt = Mqtt(config.broker, topics, self.inbox, clock)
        self._morning = MorningNote(settings, folder, self._view)
        self._health = OwnHealth(
            folder, self.journal, clock, self._certificate_ends_us, self._life.figures
        )
        routing = routing_of(config)
        self._outbox = Outbox(
            self.journal.path, senders, clock, settings, routing=routing,
            also=followers(config, clock), life=self._life,
        )  # fmt: skip
        self._directly = Directly(
            senders, self._routes, settings, clock, self.journal.was_told, self._stopping
        )
        self._outbox_thread = threading.Thread(
            target=self._outbox.run, args=(self._stopping,), name="outbox", daemon=True
        )
        self.page = _page(config, clock, self.inbox, self._life)
        self._asked = Asked(folder, put, self._life)
        self._jobs = Jobs(self._life)
        self._models = Models(folder, config.path, put, now_us, monotonic_s)
        self._mirror = mirror(config, self.recorder, clock, put, self._life)
        self._history = Nightly(
            config.store, settings.signals, clock, self.note, self._mirror.mirrored
        )
        self._pace = Pace(clock, settings.lateness_s)
        self._rhythm = Rhythm(clock)
        self._beacon_s = self._snapshot_s = clock.monotonic_s()
        self._view_s = 0.0
        self._gave_back_s = 0.0

    def run(self, stop: threading.Event, comes_back: Callable[[], bool] = lambda: False) -> None:
        """Live until told to stop: come up, turn after turn, leave; perhaps to begin anew."""
        try:
            self.start()
            while not stop.is_set():
                self.step()
        finally:
            self.stop(comes_back=comes_back())

    def start(self) -> None:
        """Come up from what was recorded, then connect."""
        before_us = self.journal.written_us()
        if self.page:
            self.page.start()
        if aside := self.journal.set_aside:
            self.note(f"the journal was damaged, is now {aside.name}, and is made from recordings")
        self.standing.come_up(self._clock.now_us())
        self._settle_clock()
        if self.standing.carried:
            self.inbox.put_action(self.standing.carried)
        self._keep_snapshot()
        inforce.keep(self._config)
        self._tell_of_absence(self._clock.now_us(), before_us)
        if told := changed(self._config.path, self._config.store.path):
            self.note(told)
        self._plan_chores()
        self._pace = Pace(self._clock, self._config.settings.lateness_s)
        self._jobs.start()
        self._outbox_thread.start()
        self._asked.start()
        self._mirror.start()
        self.mqtt.start()
        notify("READY=1", "STATUS=watching")

    def step(self) -> None:
        """One turn, from what came in to what is to be told."""
        taken = self.inbox.take(MESSAGES_A_TURN, self._rhythm.wait_s())
        self._rhythm.begin()
        self._raw.keep(taken)
        self._health.heard(
            taken.messages, up=self.mqtt.up, connections=self.mqtt.counts.connections
        )
        records = self._decoding.records(taken)
        self._rhythm.decoded()
        records += self._beacon(records, taken.messages)
        if records or taken.tickets:  # of a message that makes no record the broker waits too
            safe = self._spool.append(records, taken.tickets)  # on disk from here on
            self.mqtt.acknowledge(safe)
        if records:
            offset = self.recorder.last_offset()
            outputs = self.standing.push(records, offset)
            self._write(outputs, offset)
        self._look_around()

    def stop(self, *, comes_back: bool = False) -> None:
        """Take the last messages in, write them down, leave; the broker keeps the session."""
        leave(self._clock.monotonic_s(), comes_back=comes_back)
        self._asked.stop()
        self._mirror.stop()
        if self.page:
            self.page.stop()
        self.inbox.close()
        self._jobs.stop()
        self._history.stop()
        self._stopping.set()
        try:
            if self.mqtt.started:
                self.step()
                self._keep_snapshot()
        finally:
            self.mqtt.stop(STOP_S)
            if self._outbox_thread.is_alive():
                self._outbox_thread.join(STOP_S)
            self._outbox.close()
            self.recorder.close()
            self.journal.close()
            self._lock.release()
        _log.info(
            "stopped",
            messages=self.mqtt.counts.messages,
            acknowledged=self.mqtt.counts.acknowledged,
        )

    def greeting(self) -> str:
        """One line for people: where condmon listens, and what it does not do."""
        broker, settings = self._config.broker, self._config.settings
        return (
            f"condmon {__version__} watches {len(settings.machines)} machine(s) of "
            f"{settings.site} over MQTT at {broker.host}:{broker.port}. It only watches: it "
            "stops no machine and is no safety device."
        ) + (f"\n{self.page.greeting()}" if self.page else "")

    def _plan_chores(self) -> None:
        """What is done by the calendar."""
        folder, clock, put = self._config.store.path, self._clock, self.inbox.put_action
        log_look = DailyLook(folder, clock.now_us, put, self.note)
        time_server = TimeServer(clock.now_us, clock.monotonic_s, put)
        self._jobs.daily("snapshot", self._snapshot_asked.set, hour=0, minute=5)
        self._jobs.daily("log", log_look.look, hour=2, minute=20)
        self._jobs.hourly("time server", time_server.look, minute=29)
        self._history.start(self._jobs)
        self._models.start(self._jobs, self.standing.engine.models_on())

    # parts of the turn

    def _beacon(self, records: Sequence[Record], messages: int) -> list[Beacon]:
        """What time it is for the engine; now and then, while nothing comes in."""
        now_s = self._clock.monotonic_s()
        at_us = self._pace.beacon_us(records, messages, self.standing.now_us)
        idle = not records and now_s - self._beacon_s < BEACON_EVERY_S
        if at_us is None or idle or (not records and at_us == self.standing.now_us):
            return []
        self._beacon_s = now_s
        return [Beacon(at_us)]

    def _write(self, outputs: Sequence[Output], offset: int) -> None:
        """Into the journal, or kept until it takes them; the oldest go when there are too many."""
        self._unwritten += self._morning.enlarged(outputs)
        try:
            self._spool.all_durable()
            self.journal.write(self._unwritten, offset, self._routes, self._clock.now_us())
        except StoreError as error:
            over = max(0, len(self._unwritten) - OUTPUTS_KEPT_MAX)
            del self._unwritten[:over]
            self._directly.look(self._unwritten)
            self._repeats.tell("error", "the journal cannot be written", error=str(error),
                               waiting=len(self._unwritten), dropped=over)  # fmt: skip
        else:
            if self.page:
                self.page.tell(self._unwritten, self.standing.engine)
            self._unwritten = []
            self._directly.over()
        self._watchdog.feed()

    def _look_around(self) -> None:
        """What is done beside the stream: watchdogs, clock, snapshot."""
        now_s = self._clock.monotonic_s()
        self.mqtt.look()
        self._models.look()
        unwritten = self._spool.rows + len(self._unwritten)
        for figure in self._health.due(self.standing.now_us, unwritten):
            self.inbox.put_action(figure)
        for note in self._morning.due(self.standing.now_us):
            self._write([note], self.recorder.last_offset())
        self._follow_wall()
        self._watchdog.feed()
        if now_s - self._gave_back_s >= GIVE_BACK_EVERY_S:
            self._gave_back_s = now_s
            give_back()
        if self.page and now_s - self._view_s >= VIEW_EVERY_S:
            self._view_s = now_s
            self.page.put_view(self._view())
            self.page.put_book(self.standing.engine)
        if now_s - self._snapshot_s >= SNAPSHOT_EVERY_S or self._snapshot_asked.is_set():
            self._snapshot_s = now_s
            self._snapshot_asked.clear()
            self._keep_snapshot()

    def _keep_snapshot(self) -> None:
        """Not while batches wait in memory: a restart would push them a second time."""
        if self._spool.waiting or self._unwritten:
            return
        try:
            self.standing.keep_snapshot()
        except StoreError as error:
            self._repeats.tell("error", "no snapshot could be kept", error=str(error),
                               meaning="a restart takes longer, nothing is lost")  # fmt: skip

    def _follow_wall(self) -> None:
        """Go with the system's clock where it goes forward, and say so where it was moved."""
        step_s = self._clock.wall_step_s()
        self._clock.take_wall()
        if abs(step_s) < MOVED_S:
            return
        self._jobs.clock_moved(step_s)
        side = "forward" if step_s > 0 else "back; condmon keeps counting from its own time"
        self.note(f"the clock of this computer was put {abs(step_s):.0f} s {side}")

    def _threads(self) -> list[threading.Thread]:
        """What has to live once it was started; the MQTT client looks after its own."""
        page = self.page.threads if self.page else []
        return [self._outbox_thread, *self._outbox.threads, self._asked.thread, *page]

    # what condmon says of itself

    def _settle_clock(self) -> None:
        """Where this computer's clock is behind the last record, decide which of them is wrong."""
        now_us, record_us = self._clock.now_us(), self.standing.now_us
        if record_us - now_us > DAY_US and now_us > PLAUSIBLE_US:
            meaning = "when the clock was ahead; condmon begins anew from now"
            self.standing.begin_anew(now_us)
        elif record_us > now_us:
            meaning = "the clock of this computer is behind; condmon goes on from the last record"
            self._clock.not_before(record_us)
        else:
            return
        if record_us - now_us > MOVED_S * 1e6:
            self.note(f"the last record is of {rfc3339(record_us)}, {meaning}")

    def _tell_of_absence(self, now_us: int, before_us: int) -> None:
        """First records of this run: where nobody watched, and that condmon is back."""
        before_us = self.standing.now_us or before_us
        if before_us and now_us - before_us > AWAY_US:
            self.inbox.put_action(Gap(now_us, before_us, now_us, "condmon was not running"))
        digest = self._config.settings.digest
        self.inbox.put_action(Started(now_us, __version__, digest, restart=bool(before_us)))
        _log.info(
            "started",
            version=__version__,
            pid=os.getpid(),
            settings=digest,
            restart=bool(before_us),
            offset=self.recorder.last_offset(),
        )

    def _view(self) -> View:
        """What the engine holds now; after a fault it is another engine."""
        return self.standing.engine.view()

    def _certificate_ends_us(self) -> int | None:
        """When the first certificate ends that condmon uses: towards the broker, of the page."""
        ends = [self.mqtt.certificate_ends_us, self.page and self.page.certificate_ends_us()]
        return min((at_us for at_us in ends if at_us), default=None)

    def note(self, text: str) -> None:
        """A line of condmon's own in the machine event log."""
        _log.warning("note", text=text)
        self.inbox.put_action(
            Action(self._clock.now_us(), "note", "condmon", machine=CONDMON, text=text)
        )


def _page(config: Config, clock: Clock, inbox: Inbox, life: Life) -> "Page | None":
    """The phone page where one is wanted; its libraries load only then."""
    if config.web is None:
        return None
    from condmon.web.server import Page

    return Page(config, clock, inbox.put_action, life)

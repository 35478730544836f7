"""The engine of the daemon: brought up from snapshot and recordings, safe from its own faults.

A fault of the engine on one batch must not end the watch. The engine is then built up again from
the last snapshot and the recordings; a batch that fails three times in a row is set aside and a Gap
stands in its place, now and after every restart.
"""

import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from condmon import log
from condmon.daemon.before import Before, look_before
from condmon.engine import snapshot
from condmon.engine.alertwords import entry_on
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Output
from condmon.engine.records import SECOND_US, Filed, Gap, Record
from condmon.engine.settings import Settings
from condmon.memory import give_back
from condmon.store import daystart
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder, rows_in

TRIES = 3
ROWS_AT_ONCE = 50_000
BATCHES_AT_ONCE = 2_000
SET_ASIDE = "batches-set-aside.txt"
_log = log.get("engine")

Write = Callable[[Sequence[Output], int], None]


class _Fault(Exception):  # noqa: N818 - a fault of ours, not an error of anyone's making
    """The engine raised on the batch at `offset`."""

    def __init__(self, offset: int, cause: Exception) -> None:
        super().__init__(str(cause))
        self.offset = offset
        self.cause = cause


class Standing:
    """An Engine that is always there.

    Parameters
    ----------
    settings : Settings
        Of the present configuration.
    journal, recorder : Journal, Recorder
        Snapshots and recordings to come up from.
    folder : Path
        Where the offsets of batches that were set aside are kept.
    write : callable
        Takes outputs and the offset they reach.
    alive : callable, optional
        Called batch after batch while what was recorded is pushed.
    """

    def __init__(
        self, settings: Settings, journal: Journal, recorder: Recorder, folder: Path, write: Write,
        alive: Callable[[], None] = lambda: None,
    ) -> None:  # fmt: skip
        self._settings = settings
        self._journal = journal
        self._recorder = recorder
        self._write, self._alive = write, alive
        self._folder, self._path = folder, folder / SET_ASIDE
        self._bad = _offsets(self._path)
        self._tries: dict[int, int] = {}
        self._single = False  # one batch at a time, to find the one that fails
        self._silent_until = 0  # the journal has told what lies up to here
        self._uncarried: Before | None = None
        self._before: Before | None = None  # book and counters that the recordings do not reach
        self.carried: Filed | None = None  # for the recording: what this start carried over
        self.engine = Engine(settings)

    @property
    def now_us(self) -> int:
        """The engine's last beacon, 0 before the first."""
        return self.engine.now_us

    def come_up(self, now_us: int) -> None:
        """Restore the last snapshot and push what was recorded after it.

        Where the configuration has changed, or no snapshot can be read, the recordings alone bring
        the engine up; what the journal has told before is then not told again.
        """
        known = self._journal.offset()
        changed = self._another_configuration()
        self._silent_until = known if changed or not self._journal.last_snapshot() else 0
        self._rebuild(self._recorder.last_offset(), changed=changed)
        if self._silent_until:
            self._write(self.engine.open_alerts(), self._recorder.last_offset())
            self._silent_until = 0
        if changed:
            self._close_foreign(now_us, "the configuration was changed")
            self.keep_snapshot()
        if self._before:
            self.carried = self.engine.cargo().filed(now_us)

    def begin_anew(self, now_us: int) -> None:
        """Leave all state behind: what was recorded lies in a time that has not come yet."""
        cargo = self.engine.cargo()
        self.engine = Engine(self._settings)
        self.engine.carry(cargo)
        self.carried = cargo.filed(now_us)
        self._close_foreign(now_us, "the clock was put back")
        self.keep_snapshot()

    def push(self, records: list[Record], offset: int) -> list[Output]:
        """Outputs of one batch that the recorder has at `offset`."""
        try:
            return self.engine.push(records)
        except Exception as error:  # noqa: BLE001 - one bug must not end the watch
            self._count(_Fault(offset, error))
            self._single = True
            self._rebuild(offset)  # writes the outputs itself
            return []

    def keep_snapshot(self) -> None:
        """Keep the present state, which stands at the recorder's last offset."""
        blob, offset = self.engine.snapshot(), self._recorder.last_offset()
        self._journal.keep_snapshot(blob, offset)
        daystart.keep(self._folder, blob, offset, self.now_us)

    # bringing the engine up

    def _rebuild(self, until: int, *, changed: bool = False) -> None:
        while True:
            after = self._restore(changed=changed)
            try:
                for offset, records in self._batches(after, until):
                    self._push_recorded(offset, records)
                    self._carry(offset)
                    self._alive()
                self._carry(until)
            except _Fault as fault:
                if self._single:
                    self._count(fault)
                self._single = True
            else:
                self._single = False
                give_back()
                return

    def _restore(self, *, changed: bool) -> int:
        """An engine from the newest usable snapshot, and the offset from which to go on."""
        if not changed:
            for blob, offset in self._journal.snapshots():
                try:
                    self.engine = Engine.restore(self._settings, blob)
                except Exception as error:  # noqa: BLE001 - a bad snapshot must not keep it down
                    _log.warning(
                        "snapshot cannot be used",
                        error=error,
                        offset=offset,
                        meaning="an older one or the recordings serve instead",
                    )
                else:
                    return offset
        self.engine = Engine(self._settings)
        after = self._recorder.offset_before_yesterday() if changed else 0
        self._before = self._uncarried = look_before(self._journal, self._recorder, after)
        after = min(after, self._before.offset) if self._before else after
        self._carry(after)
        if self._recorder.last_offset():
            _log.info(
                "engine is built up from recordings",
                after_offset=after,
                configuration_changed=changed,
            )
        return after

    def _carry(self, offset: int) -> None:
        """Hand the engine book and counters of before, once it stands where they were taken."""
        if self._uncarried and offset >= self._uncarried.offset:
            self.engine.carry(self._uncarried.cargo)
            self._uncarried = None

    def _batches(self, after: int, until: int) -> Iterator[tuple[int, list[Record]]]:
        """Recorded batches, many joined into one where nothing speaks against it."""
        joined: list[Record] = []
        last = rows = count = 0
        for offset, records in self._recorder.read(after):
            if offset > until:
                break
            if offset in self._bad:
                joined.append(_gap(records))
            else:
                joined += records
            last, rows, count = offset, rows + rows_in(records), count + 1
            edge = offset == self._silent_until  # what follows is told again
            edge |= self._uncarried is not None and offset == self._uncarried.offset
            if self._single or edge or rows >= ROWS_AT_ONCE or count >= BATCHES_AT_ONCE:
                yield last, joined
                joined, rows, count = [], 0, 0
        if joined:
            yield last, joined

    def _push_recorded(self, offset: int, records: list[Record]) -> None:
        try:
            outputs = self.engine.push(records)
        except Exception as error:
            raise _Fault(offset, error) from error
        if offset > self._silent_until:
            self._write(outputs, offset)

    def _another_configuration(self) -> bool:
        """Whether the newest snapshot was made under other settings than the present."""
        newest = self._journal.last_snapshot()
        if newest is None:
            return False
        made_under = snapshot.made_under(newest[0])
        return made_under is not None and made_under != self._settings.digest

    def _close_foreign(self, now_us: int, why: str) -> None:
        """End alerts in the journal that the engine does not know."""
        present = {alert.id for alert in self.engine.open_alerts()}
        over = [alert for alert in self._journal.alerts(open_only=True) if alert.id not in present]
        ended = [_ended(alert, now_us, f"{why} while it was open") for alert in over]
        tick = now_us // SECOND_US
        told = [entry_on(alert, tick, "alert", f"closed, because {why}: {alert.title}")
                for alert in ended]  # fmt: skip
        self._write([*ended, *told], self._recorder.last_offset())
        if over:
            _log.warning(
                "open alerts of before were closed",
                count=len(over),
                reason=why,
                meaning="nobody judges them any more; where the cause is still there, it is "
                "raised again",
            )

    # faults

    def _count(self, fault: _Fault) -> None:
        tries = self._tries[fault.offset] = self._tries.get(fault.offset, 0) + 1
        where = traceback.extract_tb(fault.cause.__traceback__)[-1]
        _log.error(
            "fault in the engine",
            error=fault.cause,
            offset=fault.offset,
            tries=tries,
            where=f"{Path(where.filename).name}:{where.lineno}",
            meaning="a bug in condmon; the engine is built up again from the recordings",
        )
        if tries < TRIES:
            return
        self._bad.add(fault.offset)
        with self._path.open("a", encoding="ascii") as file:
            file.write(f"{fault.offset}\n")
        _log.error(
            "batch was set aside",
            offset=fault.offset,
            meaning="its samples stay in the recording but are not judged; please report "
            "the fault together with the recording of that day",
        )


def _offsets(path: Path) -> set[int]:
    """Offsets set aside earlier; a line that is no number is passed over."""
    try:
        lines = path.read_text(encoding="ascii", errors="replace").split()
    except OSError:
        return set()
    return {int(line) for line in lines if line.isdigit()}


def _gap(records: Sequence[Record]) -> Gap:
    """What stands in the place of a batch that was set aside."""
    times = [t for record in records for t in _times(record)]
    first, last = (min(times), max(times)) if times else (0, 0)
    reason = "a fault in condmon itself: records that stop the engine were left out"
    return Gap(last, first, last, reason, lost=rows_in(records))


def _times(record: Record) -> list[int]:
    at_us = getattr(record, "at_us", None)
    if at_us is not None:
        return [int(at_us)]
    arrived = record.arrived_us  # type: ignore[union-attr]
    return [int(arrived.min()), int(arrived.max())] if len(arrived) else []


def _ended(alert: Alert, now_us: int, cause: str) -> Alert:
    return replace(
        alert,
        revision=alert.revision + 1,
        at_us=now_us,
        ended_us=alert.ended_us or now_us,
        state="normal",
        judged=False,
        cause=alert.cause or cause,
    )

r"""Records and entries as lines of the InfluxDB line protocol.

    condmon,machine=mill-1,signal=bearing,site=North\ Pier,unit=Cel value=38.4 1764032400000000000
    condmon,machine=mill-1,quality=bad,signal=bearing,... reading="850",reason="..." 17640324...
    condmon_event,kind=alert,machine=mill-1,site=North\ Pier count=1,text="..." 17640324...

Every value is a float, states too, so that no field ever changes its type. A sample that is not
good has no field `value`: what was read stands as text beside the reason. Times are those the
engine settles on (its own `Intake` is asked again here), in nanoseconds.
"""

import re
from collections.abc import Sequence

import numpy as np

from condmon.engine import records as rec
from condmon.engine.health import HEALTH
from condmon.engine.intake import Intake, Taken
from condmon.engine.outputs import Entry
from condmon.engine.records import I64, SECOND_US, Health, Record, Samples
from condmon.engine.runs import joined
from condmon.engine.settings import CONDMON, Settings

SAMPLES, EVENTS = "condmon", "condmon_event"
TEXT_MAX = 2000
READING_MAX = 100
END_US = 7_258_118_400 * SECOND_US  # 2200-01-01; nanoseconds in 64 bits end in 2262
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


class Lines:
    """Writes lines; knows the clocks of the devices as the engine does.

    Parameters
    ----------
    settings : Settings
        The present ones. Samples of signals they no longer have are left out by the recorder.
    """

    def __init__(self, settings: Settings) -> None:
        self._intake = Intake(settings)
        self._site = settings.site
        self._heads = [
            (
                _tags(SAMPLES, machine=s.machine, signal=s.name, site=self._site, unit=s.unit),
                {
                    quality: _tags(
                        SAMPLES, machine=s.machine, quality=word, signal=s.name,
                        site=self._site, unit=s.unit,
                    )
                    for quality, word in enumerate(rec.QUALITIES)
                },
            )
            for s in settings.signals
        ]  # fmt: skip
        self._own = {
            name: _tags(SAMPLES, machine=CONDMON, signal=name, site=self._site, unit=unit)
            for name, unit in HEALTH.items()
        }

    def warm(self, batches: Sequence[Sequence[Record]]) -> None:
        """Learn devices' clocks and what came before from batches that are not to be written."""
        run, _ = _joined(batches)
        self._intake.take(run)

    def of(self, batches: Sequence[Sequence[Record]]) -> list[bytes]:
        """Lines of the recorder's batches, in the order of arrival; repeats are left out."""
        run, batch = _joined(batches)
        lines = self._of_samples(run, batch) if len(run) else []
        return lines + [
            f"{self._own[record.name]} value={float(record.value)!r} {record.at_us * 1000}".encode()
            for records in batches
            for record in records
            if isinstance(record, Health) and record.name in self._own
        ]

    def event(self, seq: int, entry: Entry) -> bytes:
        """One entry; `seq` keeps two of one instant apart by nanoseconds."""
        head = _tags(EVENTS, kind=entry.kind, machine=entry.machine, site=self._site)
        text = _quoted(entry.text, TEXT_MAX)
        return f"{head} count=1,text={text} {entry.at_us * 1000 + seq % 1000}".encode()

    def _of_samples(self, run: Samples, batch: I64) -> list[bytes]:
        taken = self._intake.take(run)
        inside = (taken.at_us >= 0) & (taken.at_us < END_US)
        at_us = np.where(inside, taken.at_us, run.arrived_us)
        at_ns = at_us * 1000 + _places(batch, run.signal, at_us)
        good = _good(taken)
        lines = []
        texts = dict(run.raw)
        wanted = np.flatnonzero(taken.mark & rec.REPEAT == 0)
        for row, signal, value, is_good, at in zip(
            wanted.tolist(), run.signal[wanted].tolist(), taken.value[wanted].tolist(),
            good[wanted].tolist(), at_ns[wanted].tolist(), strict=True,
        ):  # fmt: skip
            head, others = self._heads[signal]
            if is_good:
                lines.append(f"{head} value={value!r} {at}".encode())
                continue
            quality, reason = int(taken.quality[row]), int(taken.reason[row])
            head = others[quality or rec.BAD]  # good, but no number: never seen, never trusted
            lines.append(f"{head} {_told(run.value[row], texts.get(row), reason)} {at}".encode())
        return lines


def _good(taken: Taken) -> rec.Flags:
    """What the engine reckons with: an odd date beside a good value is no bad value."""
    dated = (taken.quality == rec.SUSPECT) & (taken.reason == 0)
    dated &= taken.mark & rec.TIME_UNREADABLE > 0
    found: rec.Flags = ((taken.quality == rec.GOOD) | dated) & np.isfinite(taken.value)
    return found


def _told(value: float, raw: bytes | None, reason: int) -> str:
    """Fields of a sample that is not good: texts, which nobody can take for numbers."""
    reading = f"{value:.15g}" if np.isfinite(value) else ""
    if raw is not None:
        reading = raw.decode(errors="replace")
    words = rec.REASONS[reason] or "doubted"
    fields = f"reason={_quoted(words, READING_MAX)}"
    return f"reading={_quoted(reading, READING_MAX)},{fields}" if reading else fields


def _joined(batches: Sequence[Sequence[Record]]) -> tuple[Samples, I64]:
    """One run of all samples, and the place of each one's batch; shape (n,)."""
    runs = [
        (place, record)
        for place, records in enumerate(batches)
        for record in records
        if isinstance(record, Samples) and len(record)
    ]
    whole = joined([run for _, run in runs])
    places = np.repeat(np.array([place for place, _ in runs], np.int64), [len(r) for _, r in runs])
    return whole, places


def _places(batch: I64, signal: rec.I32, at_us: I64) -> I64:
    """Count samples of one signal, batch and instant: 0, 1, 2 ...; shape (n,).

    A server keeps one value an instant and series; as nanoseconds these keep equal instants apart,
    and the same way when a batch is handed over again.
    """
    order = np.lexsort((np.arange(len(at_us)), at_us, signal, batch))
    same = np.ones(len(order), bool)
    for column in (batch, signal, at_us):
        here = column[order]
        same[1:] &= here[1:] == here[:-1]
    same[:1] = False
    count = np.arange(len(order))
    first = np.maximum.accumulate(np.where(same, 0, count))
    places = np.empty(len(order), np.int64)
    places[order] = np.minimum(count - first, 999)
    return places


def _tags(measurement: str, **tags: str) -> str:
    """Measurement and tags, sorted by name as servers like them; an empty one is left out."""
    pairs = [f"{name}={_escaped(tags[name])}" for name in sorted(tags) if tags[name]]
    return ",".join([measurement, *pairs])


def _escaped(text: str) -> str:
    """A tag's value. A backslash, which servers read in different ways, becomes a slash."""
    plain = _CONTROL.sub(" ", text).replace("\\", "/")
    return re.sub(r"([,= ])", r"\\\1", plain)


def _quoted(text: str, longest: int) -> str:
    """A text field. Line breaks become blanks: some servers split there even inside quotes."""
    plain = _CONTROL.sub(" ", text)[:longest]
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'

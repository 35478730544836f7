"""condmon itself is short of something: disk, time, a way out, a stream to listen to, a live part.

The service tells once a minute how it fares (Health records); the limits leave time to act: a
twentieth of a disk is days of recording, half an hour of undelivered alerts outlasts a restart of a
mail server, three weeks renew a certificate without haste, a quarter of an hour a restart of a
time-series server, six drops of the link within ten minutes are no accident (common practice, no
source). Of an event log no place may be changed, a disk has to take everything, and what is said to
hang (life.py) does: there no limit is left to wait for.
"""

from typing import ClassVar, NamedTuple, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import Check, Said, value_at
from condmon.engine.health import HEALTH, hangs
from condmon.engine.settings import CONDMON, Machine, Settings, Signal
from condmon.engine.words import number, span


class Lack(NamedTuple):
    """One thing to be short of: the condition, its figure, and the words."""

    compare: str
    figure: str
    title: str
    what: str
    if_nobody: str


_AGAIN = "Starting condmon again ends that and loses nothing."

LACKS = {
    "disk_free_share": Lack(
        "<", "disk_free", "condmon's disk is nearly full", "{percent} % of the disk is free.",
        "When it is full nothing more is recorded."),
    "clock_off_s": Lack(
        ">", "clock_off_s", "condmon's clock is wrong", "The clock of the edge box is {span} off.",
        "Times in the log and of alerts are off by as much."),
    "outbox_age_s": Lack(
        ">", "outbox_age_s", "alerts do not get out",
        "The oldest message has waited {span} to be delivered.",
        "Nobody hears of alerts on that way."),
    "stream_silent_s": Lack(
        ">", "stream_silent_s", "nothing arrives from any machine",
        "The broker is connected and nothing has arrived for {span}.",
        "condmon sees nothing; a quiet phone means nothing now."),
    "store_behind_s": Lack(
        ">", "store_behind_s", "condmon is behind", "condmon is {span} behind what arrives.",
        "Alerts come late by as much."),
    "certificate_days": Lack(
        "<", "certificate_days", "a certificate is about to end",
        "A certificate that condmon uses ends in {number} days.",
        "Then the connection is refused."),
    "mirror_away_s": Lack(
        ">", "mirror_away_s", "the time-series server takes nothing",
        "The time-series server has taken nothing for {span}.",
        "Nothing is lost: condmon keeps it and hands it over later, oldest first, as long as "
        "the disk has room."),
    "log_faults": Lack(
        ">", "log_faults", "the event log is not as it was written",
        "{number} places of the event log do not fit its chain of hashes.",
        "The log is no proof any more. Keep a copy of journal.db and find out who could write "
        "there; `condmon log verify` names each place."),
    "clock_unset_s": Lack(
        ">", "clock_unset_s", "no time server sets the clock",
        "For {span} the clock of the edge box has not been set by a time server.",
        "It drifts by seconds a day, and the times in the log with it. Look at `timedatectl` and "
        "at the network; where there is no time server on purpose, give a larger clock_unset_s."),
    "unwritten": Lack(
        ">", "unwritten", "the disk takes nothing",
        "condmon cannot write: {number} samples and entries wait in memory.",
        "Alerts still go out. Memory is enough for about five hours of 100 samples a second, then "
        "the oldest are lost; a power cut loses all that waits. Is the disk full, read-only or "
        "worn out? What waits is written by itself as soon as it can be."),
    "link_drops": Lack(
        ">", "link_drops", "the link to the broker is unstable",
        "The link to the broker was lost and came back {number} times within 10 minutes.",
        "What is sent meanwhile comes late, or not at all if it was sent with QoS 0. The log says "
        "why each time: Wi-Fi, a cable, the broker, or another client with the same name."),
    hangs("delivery"): Lack(
        ">", "hangs_s", "a way to people hangs",
        "What sends messages has shown no sign of life for {span}.",
        "Nobody hears of alerts on that way until condmon is started again, which its service "
        "manager does by itself after 20 minutes."),
    hangs("mirror"): Lack(
        ">", "hangs_s", "the mirror to the time-series server hangs",
        "What hands over to the time-series server has shown no sign of life for {span}.",
        "Nothing is lost, and all else goes on. " + _AGAIN),
    hangs("chores"): Lack(
        ">", "hangs_s", "a nightly or hourly chore hangs",
        "A chore has not come to its end for {span}; the event log names it.",
        "What it does is not done: learning, sealing of days, or the look at disk, clock and log. "
        + _AGAIN),
    hangs("page"): Lack(
        ">", "hangs_s", "the phone page hangs",
        "The phone page has shown no sign of life for {span}.",
        "Nobody can look or acknowledge there; messages go out as before. " + _AGAIN),
    hangs("commands"): Lack(
        ">", "hangs_s", "what commands ask is not taken up",
        "What takes up `condmon log` and `condmon service` has shown no sign of life for {span}.",
        "What people say by these commands is not written down. " + _AGAIN),
}  # fmt: skip


class CondmonHealth(Check):
    """For condmon itself; fed by Health records."""

    id = "condmon-health"
    sees = "condmon short of disk, time, a way out or a stream, or a part of it that hangs"
    urgency = "today"
    hold_s = 120.0
    release_s = 120.0
    figures: ClassVar[dict[str, float]] = {
        "disk_free": 0.05,
        "clock_off_s": 5.0,
        "outbox_age_s": 1800.0,
        "stream_silent_s": 1800.0,
        "store_behind_s": 300.0,
        "certificate_days": 21.0,
        "mirror_away_s": 900.0,
        "log_faults": 0.0,
        "clock_unset_s": 3600.0,
        "unwritten": 0.0,
        "link_drops": 5.0,
        "hangs_s": 0.0,
    }
    title = "condmon itself needs attention"
    why = "What condmon cannot do it cannot tell either."
    look_first = (
        "`condmon status` on the edge box tells what it fares badly with.",
        "Disk, network and clock of the edge box.",
    )

    def __init__(self, settings: Settings, machine: Machine, signal: Signal) -> None:
        self._lack = LACKS[signal.name]
        super().__init__(settings, machine, (signal,), signal.name)
        self.title = self._lack.title

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a thing, on the machine that is condmon itself."""
        if machine.id != CONDMON:
            return ""
        return [cls(settings, machine, s) for s in machine.signals if s.name in HEALTH]

    def when(self) -> str:
        """Past the limit."""
        return f"{self.signals[0].name} {self._lack.compare} {self.figure[self._lack.figure]:g}"

    def say(self, block: Block, row: int, since: int) -> Said:
        """The figure in words."""
        value = value_at(block, row, self.signals[0])
        words = {"percent": f"{100 * value:.1f}", "span": span(value), "number": number(value)}
        return Said(self._lack.what.format(**words), self._lack.if_nobody, {"value": value})

"""Calendar chores by APScheduler, used as an alarm clock and for nothing else.

Everything is in UTC. A chore that is late runs once, however late. APScheduler counts in wall time
and would sleep through an hour that the clock was set back; `clock_moved` sets every alarm anew.
"""

from collections.abc import Callable
from typing import Any

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger

from condmon import log
from condmon.life import Life

MOVED_S = 2.0  # a smaller step of the wall clock changes nothing worth waking for
MAY_TAKE_S = 3600.0  # most chores take seconds, a walk along a long log minutes
_log = log.get("jobs")


class Jobs:
    """Runs chores in threads of its own; one that hangs keeps none of the others.

    Parameters
    ----------
    life : Life, optional
        Sees whether the chores come to an end.
    """

    def __init__(self, life: Life | None = None) -> None:
        self._life = life or Life()
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )

    def daily(
        self,
        name: str,
        chore: Callable[[], None],
        hour: int,
        minute: int,
        may_take_s: float = MAY_TAKE_S,
    ) -> None:
        """Run a chore once a day at this time of UTC."""
        self._add(name, chore, may_take_s, hour=hour, minute=minute)

    def hourly(
        self, name: str, chore: Callable[[], None], minute: int, may_take_s: float = MAY_TAKE_S
    ) -> None:
        """Run a chore once an hour."""
        self._add(name, chore, may_take_s, minute=minute)

    def start(self) -> None:
        """Begin to run chores."""
        self._scheduler.start()

    def stop(self) -> None:
        """Run no more chores; one that runs is not waited for."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def clock_moved(self, step_s: float) -> bool:
        """Take it that the wall clock was moved; True where alarms were set anew."""
        if abs(step_s) < MOVED_S or not self._scheduler.running:
            return False
        for job in self._scheduler.get_jobs():
            job.reschedule(job.trigger)
        self._scheduler.wakeup()
        return True

    def _add(self, name: str, chore: Callable[[], None], may_take_s: float, **when: Any) -> None:
        pulse = self._life.pulse("chores", name, may_take_s=may_take_s)

        def safely() -> None:
            pulse.sign()
            try:
                chore()
            except Exception as error:  # noqa: BLE001 - one chore must not end the others
                _log.error("chore failed", chore=name, error=error)
            finally:
                pulse.rest()

        trigger = CronTrigger(timezone="UTC", **when)
        self._scheduler.add_job(safely, trigger, id=name, name=name)

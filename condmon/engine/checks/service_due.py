"""Service, inspection, cleaning or calibration is due, by hours, cycles or calendar.

From the lead time before a limit it is a note; beyond the limit it is said in working hours. The
limits stand in the service book, each with its source; they are looked at once an hour, for
nothing that is due by hours or days is more urgent than that (`servicebook/duework.py`).
"""

from typing import Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said
from condmon.engine.outputs import Facts
from condmon.engine.servicebook.tasks import Left, Standing, Task
from condmon.engine.settings import Machine, Settings, Urgency

MANUAL = "The machine maker's manual says how it is done and comes before anything written here."
WHY = {
    "service": "What is not serviced in time wears faster, and fails when it is least wanted.",
    "inspection": "An inspection finds early what no sensor shows.",
    "cleaning": "Chips and dirt in the wrong place wear out seals, covers and guideways.",
    "calibration": "A measurement is worth what its last calibration is worth.",
}


class ServiceDue(Check):
    """One task of the service book, due soon or overdue."""

    id = "service-due"
    sees = "service, inspection, cleaning or calibration that is due"
    urgency: Urgency = "note"
    title = "a task of the service book is due"
    why = WHY["service"]
    look_first: tuple[str, ...] = (
        "What the task says; the service book tells when it was last done.",
    )
    caution = f"{LOCKOUT} {MANUAL}"
    said = Said("", "", {})

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:  # noqa: ARG003
        """None beforehand: each comes and goes with its task."""
        return []

    @classmethod
    def of(
        cls, settings: Settings, machine: Machine, task: Task, left: Left | None, standing: Standing
    ) -> Self:
        """The check of one task as it stands or stood; `left` is the limit that speaks."""
        overdue = standing == "overdue"
        check = cls(settings, machine, (), f"{task.key}/{'overdue' if overdue else 'soon'}")
        check.urgency = "today" if overdue else "note"
        check.title = f"{task.sort} {'overdue' if overdue else 'due'}: {task.title}"
        check.why = WHY[task.sort]
        check.look_first = tuple(task.do) or ("The service book tells when it was last done.",)
        check.caution = f"{task.caution or LOCKOUT} {MANUAL}"
        facts: Facts = {"task": task.key}
        what = f"{task.title} is {'overdue' if overdue else 'due'}."
        if left:
            facts = {"task": task.key, "measure": left.measure, "used": left.used,
                     "limit": left.limit}  # fmt: skip
            what = f"{task.title} is {'overdue' if overdue else 'due soon'}: {left.words()}."
        if_nobody = "It stays on the list until it is done or skipped with a reason."
        check.said = Said(what, if_nobody, facts)
        return check

    def say(self, block: Block, row: int, since: int) -> Said:
        """How much of the interval is used."""
        return self.said

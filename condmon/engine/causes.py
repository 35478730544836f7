"""What follows from what: an alert that another one explains is listed under it. Pure.

Followers get no message of their own while their cause lasts. Nothing is hidden under a cause that
is less urgent, and nothing that may be damage of its own (a hot bearing after a hard stop) is a
follower. What is silent with its gateway, its link or its supply is one alert already, in
`checks/sensors.py`.
"""

from collections.abc import Iterable

from condmon.engine.outputs import Alert

FOLLOWS: dict[str, frozenset[str]] = {
    "air-down": frozenset({"air-missing", "air-bleed-down", "unattended-stop"}),
    "hard-stop": frozenset({"unattended-stop"}),
    "bearing-near-trip": frozenset({"unattended-stop"}),
    "coolant-falling": frozenset({"coolant-low"}),
    "coolant-off-set-point": frozenset({"chiller-short-cycling"}),
    "sensor-unusable": frozenset({"sensor-spikes", "sensor-noisy"}),
    "sensors-swapped": frozenset({"sensor-drift"}),
    "axis-unlike": frozenset({"axis-zone"}),
}
"""Check that is a cause -> checks that follow from it on the same machine."""

ENDS_BY_ITSELF = {"service-due": "the service book tells what was done"}
"""Check whose alerts need nobody to see their end or to find their cause -> what stands there."""

DURING_A_VISIT = "it came and went while work was going on"
"""Cause of an alert that nobody was told of because of a visit, and that is over with it."""

RANK = {"note": 0, "today": 1, "now": 2}
SPEAKS = {"active_unacknowledged", "active_acknowledged", "shelved"}


def cause_of(check: str, urgency: str, alerts: Iterable[Alert]) -> Alert | None:
    """The oldest active alert that explains one of this check, if there is one."""
    found = [
        alert
        for alert in alerts
        if check in FOLLOWS.get(alert.check, frozenset())
        and alert.state in SPEAKS
        and alert.ended_us is None
        and RANK[alert.urgency] >= RANK[urgency]
    ]
    return min(found, key=lambda alert: (alert.raised_us, alert.id), default=None)

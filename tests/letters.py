"""Alerts, messages and letters for tests of what reaches people; `SITE` is the invented shop."""

from condmon.clock import SiteCalendar
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.settings import Settings
from condmon.senders.letter import Letter
from condmon.senders.words import compose

NOW_US = 1_795_572_845_000_000  # 2026-11-25 02:14:05 UTC
MINUTE_US = 60_000_000
SITE = Settings(site="North Pier Optics", calendar=SiteCalendar("Europe/Oslo"), machines=())


def entry(number=1, **change):
    return Entry(
        **{
            "id": f"entry-{number}",
            "at_us": NOW_US + number,
            "machine": "mill-1",
            "kind": "duty",
            "text": f"Mill 1 turns ({number}).",
            "facts": {"rpm": 8000.0 + number},
            **change,
        }
    )


def alert(number=1, revision=1, **change):
    return Alert(
        **{
            "id": f"alert-{number}",
            "revision": revision,
            "at_us": NOW_US,
            "machine": "mill-1",
            "machine_name": "Mill 1",
            "check": "oil-missing",
            "signals": ("oil_pulses", "spindle_speed"),
            "urgency": "now",
            "state": "active_unacknowledged",
            "began_us": NOW_US - MINUTE_US,
            "raised_us": NOW_US + number,
            "ended_us": None,
            "count": 1,
            "title": "oil missing, spindle turning",
            "what": "No oil pulse for 95 s at 8000 rpm; normal is one every 30 s.",
            "why": "The bearings run dry.",
            "look_first": ("The oil bottle", "The oil line"),
            "if_nobody": "The bearings wear within minutes.",
            "caution": "The spindle may still coast.",
            "facts": {"rpm": 8000.0},
            **change,
        }
    )


def ended(number=1, after_min=10, **change):
    return alert(
        number,
        **{
            "revision": 2,
            "state": "returned_unacknowledged",
            "ended_us": NOW_US + after_min * MINUTE_US,
            **change,
        },
    )


def message(number=1, kind="raised", step=0, **change):
    return Message(
        **{
            "id": f"alert-{number}:{kind}:{step}",
            "at_us": NOW_US,
            "kind": kind,
            "step": step,
            "urgency": "now",
            "alerts": (f"alert-{number}",),
            "machine": "mill-1",
            "title": "Mill 1 NOW: oil missing",
            "text": "Oil missing.",
            **change,
        }
    )


def letter(telling="raised", now_us=NOW_US, about=None, key="alert-1:raised:0:phone", **change):
    about = about or alert()
    sent = message(kind="raised" if telling == "story" else telling, **change)
    title, text = compose(telling, sent, [about], SITE.site, SITE.calendar, now_us)
    return Letter(key, SITE.site, telling, sent, (about,), title, text, now_us)

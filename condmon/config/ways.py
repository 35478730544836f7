"""The younger ways to people: Web Push, the alert topic, and services by an extra library."""

import importlib.util
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from condmon.config import send, values
from condmon.config.plan import Ways
from condmon.config.shape import AlertTopic, Config, Push, Services
from condmon.config.table import Section, Wrong
from condmon.engine.settings import Settings, Urgency

PUSH_HOSTS = (
    "fcm.googleapis.com", "updates.push.services.mozilla.com", "*.push.apple.com",
    "*.notify.windows.com",
)  # fmt: skip
"""Where the phones' browsers let push messages be left; from memory, November 2026."""

_HOST = re.compile(r"(\*\.)?[a-z0-9](?:[a-z0-9.-]*[a-z0-9])?(:\d{1,5})?")


class Way(NamedTuple):
    """One way to people as it is shown: its name, what it is, the urgencies it takes."""

    name: str
    what: str
    urgencies: tuple[Urgency, ...]


def ways_of(config: Config) -> list[Way]:
    """Every way that messages take."""
    out = [Way(w.name, "web address", w.urgencies) for w in config.webhooks]
    out += [Way(m.name, f"e-mail to {', '.join(m.to)}", m.urgencies) for m in config.emails]
    for push in config.pushes:
        whose = ", ".join(push.people) or "everyone"
        out.append(Way(push.name, f"notification on the phones of {whose}", push.urgencies))
    out += [Way(s.name, f"services in {s.urls_file.name}", s.urgencies) for s in config.services]
    return out


def pushes(send_section: Section, top: Section) -> tuple[Push, ...]:
    """Make every [[send.push]]."""
    made: list[Push] = []
    page = top.table.get("web")
    for number, row in enumerate(send_section.each("push", "send.push"), 1):
        if "web" not in top.table:
            row.wrong("phones ask for notifications on the page; add a section [web] with TLS")
        elif isinstance(page, dict) and not {"cert_file", "own_certificate"} & page.keys():
            row.warn("browsers allow notifications only where the page is reached by https; give "
                     "own_certificate, or cert_file and key_file, under [web]")  # fmt: skip
        made.append(Push(
            row.take("name", values.name_of("the name of a way"), f"push-{number}"),
            row.need("contact", send.mailbox, "", 'contact = "owner@pier.example"'),
            row.take("people", values.several(lambda value: values.text(value, 32).lower()), ()),
            row.take("hosts", values.several(_push_host), PUSH_HOSTS),
            row.take("urgencies", send.urgencies, values.URGENCIES),
            row.take("timeout", values.duration(1, 120), 10.0),
        ))  # fmt: skip
    return tuple(made)


def services(send_section: Section, folder: Path) -> tuple[Services, ...]:
    """Make every [[send.apprise]]."""
    made: list[Services] = []
    for number, row in enumerate(send_section.each("apprise", "send.apprise"), 1):
        if importlib.util.find_spec("apprise") is None:
            row.wrong('this needs a library that is not here; install condmon with its extra: '
                      'pip install "condmon[apprise]"')  # fmt: skip
        made.append(Services(
            row.take("name", values.name_of("the name of a way"), f"apprise-{number}"),
            row.need("urls_file", values.secret_in(folder), Path(), 'urls_file = "services.urls"'),
            row.take("urgencies", send.urgencies, values.URGENCIES),
            row.take("timeout", values.duration(1, 120), 30.0),
        ))  # fmt: skip
    return tuple(made)


def alert_topic(
    send_section: Section, settings: Settings, also: Sequence[str]
) -> AlertTopic | None:
    """Read [send.topic]; None where it is absent."""
    if "topic" not in send_section.table:
        return None
    row = send_section.within("topic", "send.topic")
    made = AlertTopic(
        row.take("topic", values.topic, "condmon/alerts"),
        row.take("urgencies", send.urgencies, values.URGENCIES),
    )
    below = f"{made.topic}/"
    for signal in settings.signals:
        if signal.topic == made.topic or signal.topic.startswith(below):
            row.wrong(f"the signal {signal.name} of {signal.machine} is sent below this topic; "
                      "alerts need one of their own", "topic")  # fmt: skip
            break
    for heard in also:
        if _listens_below(heard.split("/"), made.topic.split("/")):
            row.wrong(f'condmon would hear its own alerts: also = "{heard}" under [broker] '
                      "listens below this topic; narrow it, or take another", "topic")  # fmt: skip
    return made


def _listens_below(heard: Sequence[str], topic: Sequence[str]) -> bool:
    """Whether a topic filter takes anything three levels below a topic (MQTT 5.0, 4.7)."""
    levels = [*topic, "", "", ""]
    for place, level in enumerate(heard):
        if level == "#":
            return True
        below = place >= len(topic)
        if place >= len(levels) or not (below or level in {"+", levels[place]}):
            return False
    return len(heard) == len(levels)


def told_by(send_section: Section, ways: Sequence[Any]) -> Ways:
    """Names of ways with their urgencies; two kinds of way with one name are a problem."""
    kinds: dict[str, set[type]] = {}
    for way in ways:
        kinds.setdefault(way.name, set()).add(type(way))
    for name, of in kinds.items():
        if len(of) > 1:
            send_section.wrong(f'there are two ways of the name "{name}"; give each its own name')
    return {way.name: way.urgencies for way in ways}


def _push_host(value: Any) -> str:
    given = values.text(value, 255).lower()
    if not _HOST.fullmatch(given):
        raise Wrong('write the name of a push service, like "push.example" or "*.push.example"; '
                    "a port other than 443 goes behind a colon")  # fmt: skip
    return given

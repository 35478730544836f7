"""The [broker], [store] and [send] sections: how to reach what is outside."""

import re
from pathlib import Path
from typing import Any, Literal, NamedTuple
from urllib.parse import urlsplit

from condmon.config import values
from condmon.config.keys import FORMAT
from condmon.config.shape import Broker, Email, Store, Webhook
from condmon.config.table import Section, Wrong

_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,253}[A-Za-z0-9])?\.?|[0-9A-Fa-f:.]+")
_MAILBOX = re.compile(r"[^\s@<>,;\"]+@[^\s@<>,;\"]+")
Security = Literal["none", "starttls", "tls"]
_KINDS: tuple[Security, ...] = ("none", "starttls", "tls")
_LOCAL = ("localhost", "127.0.0.1", "::1")


class Address(NamedTuple):
    """A broker's address taken apart."""

    host: str
    port: int
    tls: bool


def version(top: Section) -> bool:
    """Tell whether this condmon reads the file's format."""
    given = top.take("format", values.whole(1, 10**6), FORMAT)
    if given > FORMAT:
        top.wrong(f"the file is in format {given}, this condmon reads formats up to {FORMAT}; "
                  "use the condmon it was written for, or a newer one", "format")  # fmt: skip
    return given <= FORMAT


def broker(section: Section, folder: Path, site: str) -> Broker:
    """Make the broker settings; a site of its own name gets a client id of its own."""
    readable, secret = values.readable_in(folder), values.secret_in(folder)
    at = section.take("url", broker_url, Address("127.0.0.1", 1883, tls=False))
    slug = re.sub("[^a-z0-9]+", "-", site.lower()).strip("-")[:15]
    made = Broker(
        at.host, at.port, at.tls,
        ca_file=section.take("ca_file", readable, None),
        cert_file=section.take("cert_file", readable, None),
        key_file=section.take("key_file", secret, None),
        username=section.take("username", lambda value: values.text(value, 500), None),
        password_file=section.take("password_file", secret, None),
        client_id=section.take("client_id", _client_id, f"condmon-{slug}".rstrip("-")),
        keepalive_s=round(section.take("keepalive", values.duration(5, 3600), 30.0)),
        session_expiry_s=round(section.take("session_expiry", values.duration(60, 2**32 - 2),
                                            14 * 86400.0)),
        receive_maximum=section.take("receive_maximum", values.whole(1, 65_535), 2000),
        payload_bytes_max=section.take("payload_bytes_max", values.whole(64, 16_777_216), 65_536),
        also=section.take("also", values.several(values.topic_filter), ()),
    )  # fmt: skip
    _fits_together(section, made)
    return made


def _fits_together(section: Section, made: Broker) -> None:
    """Note keys of the broker that need one another."""
    given = section.table
    if ("cert_file" in given) != ("key_file" in given):
        section.wrong("cert_file and key_file go together; name both or neither")
    if not made.tls and any(key in given for key in ("ca_file", "cert_file", "key_file")):
        section.wrong('certificates are of use with TLS only; write url = "mqtts://..."')
    if "password_file" in given and "username" not in given:
        section.wrong("a password needs a username beside it", "password_file")
    if "password_file" in given and not made.tls and made.host not in _LOCAL:
        section.warn("name and password go over the network readable by others; "
                     "mqtts:// keeps them secret", "url")  # fmt: skip


def store(section: Section, folder: Path) -> Store:
    """Make the store settings."""
    day_s = 86400.0
    return Store(
        section.take("path", values.file_in(folder), Path("/var/lib/condmon")),
        section.take("keep_raw", values.duration(0, 3660 * day_s), 0.0),
        section.take("disk_min_mb", values.whole(1, 10**7), 200),
        section.take("keep", values.duration(7 * day_s, 36_600 * day_s), 730 * day_s),
        section.take("keep_recordings", values.duration(2 * day_s, 3660 * day_s), 14 * day_s),
        section.take("disk_max_mb", values.whole(0, 10**9), 0),
    )


def webhooks(send: Section, folder: Path) -> tuple[Webhook, ...]:
    """Make every [[send.webhook]]."""
    made = []
    for number, row in enumerate(send.each("webhook", "send.webhook"), 1):
        made.append(Webhook(
            row.take("name", values.name_of("the name of a webhook"), f"webhook-{number}"),
            row.need("url", web_url, "", 'url = "https://gate.example/condmon"'),
            row.take("secret_file", values.secret_in(folder), None),
            row.take("urgencies", urgencies, values.URGENCIES),
            row.take("timeout", values.duration(1, 120), 10.0),
        ))  # fmt: skip
        if made[-1].url and any(made[-1].url == one.url for one in made[:-1]):
            row.warn("this address is there twice; every message would come twice", "url")
        _one_name(row, made[-1].name, [one.name for one in made[:-1]])
    return tuple(made)


def emails(send: Section, folder: Path) -> tuple[Email, ...]:
    """Make every [[send.email]]."""
    made: list[Email] = []
    for number, row in enumerate(send.each("email", "send.email"), 1):
        made.append(_email(row, folder, number))
        told = {(one.host, person) for one in made[:-1] for person in one.to}
        again = [person for person in made[-1].to if (made[-1].host, person) in told]
        if again:
            row.warn(f"{', '.join(again)} is told by another [[send.email]] already and would "
                     "get every message twice", "to")  # fmt: skip
        _one_name(row, made[-1].name, [one.name for one in made[:-1]])
    return tuple(made)


def _email(row: Section, folder: Path, number: int) -> Email:
    ports = {"none": 25, "starttls": 587, "tls": 465}  # RFC 5321, RFC 6409, RFC 8314
    default: Security = "starttls"
    security = row.take("security", values.one_of(_KINDS, "kind of security"), default)
    username = row.take("username", lambda value: values.text(value, 500), None)
    if ("username" in row.table) != ("password_file" in row.table):
        row.wrong("username and password_file go together; name both or neither")
    if security == "none" and username:
        row.warn("name and password go over the network readable by others", "security")
    return Email(
        row.take("name", values.name_of("the name of a mail route"), f"email-{number}"),
        row.need("host", host, "", 'host = "mail.example"'),
        row.take("port", values.whole(1, 65_535), ports[security]),
        security, username, row.take("password_file", values.secret_in(folder), None),
        row.need("sender", mailbox, "", 'sender = "condmon@pier.example"'),
        row.need("to", values.several(mailbox), (), 'to = ["owner@pier.example"]'),
        row.take("urgencies", urgencies, values.URGENCIES),
        row.take("timeout", values.duration(1, 300), 20.0),
    )  # fmt: skip


def _one_name(row: Section, name: str, others: list[str]) -> None:
    if name in others:
        row.wrong(f'there is another of the name "{name}"; give each its own name', "name")


def broker_url(value: Any) -> Address:
    """Read mqtt://host:port or mqtts://host:port."""
    parts, port = _split(value)
    if parts.scheme not in {"mqtt", "mqtts"} or parts.path.strip("/") or parts.query:
        raise Wrong('write it like "mqtt://host:1883", or "mqtts://host:8883" for TLS')
    tls = parts.scheme == "mqtts"
    return Address(host(parts.hostname or ""), port or (8883 if tls else 1883), tls)


def web_url(value: Any) -> str:
    """Read an http or https address."""
    parts, _port = _split(value)
    if parts.scheme not in {"http", "https"}:
        raise Wrong('a web address begins with "https://" or "http://"')
    host(parts.hostname or "")
    return str(value)


def host(value: Any) -> str:
    """Read the name or number of a computer."""
    given = values.text(value, 255)
    if not _HOST.fullmatch(given):
        raise Wrong("this is no name of a computer: letters, figures, dots and - only, no blanks")
    return given


def mailbox(value: Any) -> str:
    """Read a bare mail address."""
    given = values.text(value, 320)
    if not _MAILBOX.fullmatch(given):
        raise Wrong("this is no mail address; write it bare, like owner@pier.example")
    return given


def _split(value: Any) -> tuple[Any, int | None]:
    """Take a URL apart; its text is never repeated, for it may hold a password."""
    given = values.text(value)
    if re.search(r"\s", given):
        raise Wrong("there is a blank in the address; take it out")
    try:
        parts = urlsplit(given)
        port = parts.port
    except ValueError as error:
        raise Wrong("the address cannot be read; a port is a number from 1 to 65535") from error
    if parts.username is not None or parts.password is not None:
        raise Wrong("a name and password do not belong into the address, where everybody reads "
                    "them; use username and password_file (or a secret_file)")  # fmt: skip
    if port == 0:
        raise Wrong("a port is a number from 1 to 65535")
    return parts, port


def _client_id(value: Any) -> str:
    given = values.text(value, 200)
    if re.search(r"\s", given):
        raise Wrong("a client id has no blanks")
    return given


urgencies = values.several(values.one_of(values.URGENCIES, "urgency"))

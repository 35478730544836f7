"""The [influx] section: the time-series server that condmon hands its samples and entries to."""

from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from condmon.config import send, values
from condmon.config.shape import Influx
from condmon.config.table import Section, Wrong

_LOCAL = ("localhost", "127.0.0.1", "::1")


def influx(top: Section, folder: Path) -> Influx | None:
    """Read [influx]; None where the section is absent and there is no such server."""
    section = top.within("influx", "influx")
    if "influx" not in top.table:
        return None
    made = Influx(
        section.need("url", _address, "", 'url = "http://127.0.0.1:8086"'),
        section.take("org", lambda value: values.text(value, 200), "condmon"),
        section.take("bucket", lambda value: values.text(value, 200), "condmon"),
        section.take("token_file", values.secret_in(folder), None),
        section.take("ca_file", values.readable_in(folder), None),
        section.take("timeout", values.duration(1, 120), 10.0),
    )
    if not made.url:
        return made
    parts = urlsplit(made.url)
    if made.ca_file and parts.scheme != "https":
        section.wrong('a certificate is of use with TLS only; write url = "https://..."', "ca_file")
    if made.token_file and parts.scheme != "https" and parts.hostname not in _LOCAL:
        section.warn("the token goes over the network readable by others; https:// keeps it secret",
                     "url")  # fmt: skip
    return made


def _address(value: Any) -> str:
    given = send.web_url(value)
    parts = urlsplit(given)
    if parts.query or parts.fragment:
        raise Wrong('write it without anything behind the path, like "http://127.0.0.1:8086"')
    if parts.path.rstrip("/").endswith("/api/v2/write"):
        raise Wrong("leave /api/v2/write out; condmon adds it")
    return given.rstrip("/")

"""The [web] section: where the phone page listens, under which names, with which certificate."""

import ipaddress
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from condmon.config import send, values
from condmon.config.shape import Web
from condmon.config.table import Section, Wrong

PORT = 8470


TLS_FOLDER = "tls"
"""In the data folder: what condmon makes itself where `own_certificate` is set."""


def web(top: Section, folder: Path, store: Path) -> Web | None:
    """Read [web]; None where the section is absent and no page is wanted."""
    section = top.within("web", "web")
    if "web" not in top.table:
        return None
    made = Web(
        section.take("listen", _listen, "127.0.0.1"),
        section.take("port", values.whole(1, 65_535), PORT),
        section.take("address", _address, ""),
        section.take("names", values.several(_name, 20), ()),
        section.take("cert_file", values.readable_in(folder), None),
        section.take("key_file", values.secret_in(folder), None),
        section.take("signed_in_for", values.duration(3600, 366 * 86400), 90 * 86400.0),
        section.take("own_certificate", values.flag, default=False),
        section.take("install_port", values.whole(0, 65_535), 0),
    )
    made = _own(made, section, store)
    if ("cert_file" in section.table) != ("key_file" in section.table):
        section.wrong("cert_file and key_file go together; name both or neither")
    if made.address.startswith("https:") and made.cert_file is None:
        section.wrong("an https address needs cert_file and key_file, or own_certificate = true",
                      "address")  # fmt: skip
    if made.beyond_this_computer and made.cert_file is None:
        section.warn("without cert_file the page goes over the network unencrypted: passwords and "
                     "sessions can be read by others on it", "listen")  # fmt: skip
    return made


def _own(made: Web, section: Section, store: Path) -> Web:
    """The files that condmon makes itself, where it is asked to."""
    if not made.own_certificate:
        if made.install_port:
            section.wrong("only with own_certificate = true is there something to install",
                          "install_port")  # fmt: skip
        return made
    if "cert_file" in section.table:
        section.wrong("condmon's own certificate or one from a file; leave out one of them",
                      "own_certificate")  # fmt: skip
    port = made.install_port if "install_port" in section.table else made.port + 1
    if port == made.port:
        section.wrong("the page listens at this port; take another, or 0 for none", "install_port")
    tls = store / TLS_FOLDER
    return replace(
        made, cert_file=tls / "page.pem", key_file=tls / "page.key", install_port=port % 65_536
    )


def _listen(value: Any) -> str:
    given = values.text(value, 45)
    try:
        return str(ipaddress.ip_address(given))
    except ValueError as error:
        raise Wrong('write a number: "127.0.0.1" for this computer alone, "0.0.0.0" for all its '
                    'networks, or one of its own numbers') from error  # fmt: skip


def _name(value: Any) -> str:
    return send.host(value).lower().rstrip(".")


def _address(value: Any) -> str:
    given = send.web_url(value)
    parts = urlsplit(given)
    if parts.path.strip("/") or parts.query or parts.fragment:
        raise Wrong('write it without a path, like "https://condmon.pier.example:8470"')
    return f"{parts.scheme}://{parts.netloc}".lower()

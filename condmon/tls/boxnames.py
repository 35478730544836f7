"""The names and addresses of this computer, as a certificate of its own has to tell them."""

import ipaddress
import socket
from collections.abc import Sequence

PRIVATE = (
    "127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16",
    "::1/128", "fc00::/7", "fe80::/10",
)  # fmt: skip
"""Addresses that mean another computer in every network (RFC 1918, 3927, 4193, 4291)."""


def own_names(names: Sequence[str]) -> list[str]:
    """The names and addresses of this computer, the given ones among them, each once."""
    host = socket.gethostname().lower()
    bare = host.partition(".")[0]
    return list(dict.fromkeys([*names, host, f"{bare}.local", "localhost", *_addresses()]))


def is_address(name: str) -> bool:
    """Whether a text is an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def is_private(name: str) -> bool:
    """Whether a text is an address that means another computer in every network."""
    if not is_address(name):
        return False
    address = ipaddress.ip_address(name)
    return any(address in ipaddress.ip_network(net) for net in PRIVATE)


def _addresses() -> list[str]:
    """The loopback and the private address that this computer has on its network."""
    found = {"127.0.0.1"}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documents: nothing is sent
            found.add(str(probe.getsockname()[0]))
        except OSError:  # no network
            pass
    return sorted(a for a in found if is_private(a))

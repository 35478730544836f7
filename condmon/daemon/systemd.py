"""What the service manager is told over NOTIFY_SOCKET (systemd's sd_notify protocol)."""

import contextlib
import os
import socket

WITHIN_S = 1.0
"""A service manager that reads nothing does not hold up the watch."""


def notify(*words: str) -> None:
    """Send lines such as READY=1 or WATCHDOG=1; nothing happens where nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # an abstract socket
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.settimeout(WITHIN_S)
        sock.sendto("\n".join(words).encode(), address)


def leave(now_s: float, *, comes_back: bool) -> None:
    """Say that the daemon ends; one that begins anew in the same process says that it reloads.

    To a service manager that was told of an end, a process that lives on hangs and is killed.
    """
    if comes_back:
        notify("RELOADING=1", f"MONOTONIC_USEC={round(now_s * 1e6)}")
    else:
        notify("STOPPING=1")

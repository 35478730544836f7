"""What the service manager is told over NOTIFY_SOCKET (systemd's sd_notify protocol)."""

import contextlib
import os
import socket


def notify(*words: str) -> None:
    """Send lines such as READY=1 or WATCHDOG=1; nothing happens where nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # an abstract socket
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto("\n".join(words).encode(), address)

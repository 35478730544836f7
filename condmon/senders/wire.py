"""A connection to a receiver with one time limit for the whole exchange, and its failures in words.

Standard library only. A limit on each read would not do: a receiver that gives a byte now and then
could hold us for ever.
"""

import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from condmon.errors import SendError


class Wire:
    """An open connection; `sock` is what to read and write, `overdue` tells that time ran out."""

    def __init__(self, sock: socket.socket, host: str) -> None:
        self.sock = sock
        self.host = host
        self.overdue = False

    def secure(self) -> None:
        """Go on in TLS, with the certificate and the name checked."""
        self.sock = ssl.create_default_context().wrap_socket(self.sock, server_hostname=self.host)

    def cut(self) -> None:
        """Time ran out: whoever reads or writes gets an error at once."""
        self.overdue = True
        with suppress(OSError):  # it may be closed already
            # the plain socket's own method: the one of a TLS socket is not for a second thread
            socket.socket.shutdown(self.sock, socket.SHUT_RDWR)


@contextmanager
def wire(host: str, port: int, limit_s: float, *, tls: bool) -> Iterator[Wire]:
    """Connect, and close at the end; every failure of the way there is a SendError.

    The limit counts from the open connection; connecting has the same limit for itself, and the
    look-up of the name has the resolver's.
    """
    where = f"{host}:{port}"
    try:
        line = Wire(socket.create_connection((host, port), timeout=limit_s), host)
    except OSError as error:
        raise SendError(failure_words(where, error, limit_s), again=True) from error
    line.sock.settimeout(2 * limit_s + 1)  # a single read must not end before the whole is overdue
    clock = threading.Timer(limit_s, line.cut)
    clock.daemon = True
    clock.start()
    try:
        if tls:
            line.secure()
        yield line
    except (OSError, ValueError) as error:  # ValueError: what TLS says of a connection that was cut
        if line.overdue:
            raise SendError(_slow(where, limit_s), again=True) from error
        if not isinstance(error, OSError):
            raise
        raise SendError(failure_words(where, error, limit_s), again=True) from error
    except SendError as error:
        if line.overdue and error.again:
            raise SendError(_slow(where, limit_s), again=True) from error
        raise
    finally:
        clock.cancel()
        line.sock.close()


def secret(path: Path) -> str:
    """Read a secret from its file, anew at each use so that a changed one needs no restart."""
    try:
        words = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not text"
        raise SendError(f"the secret file {path} cannot be read: {reason}", again=True) from None
    if not words:
        raise SendError(f"the secret file {path} is empty; put the secret into it", again=True)
    return words


def _slow(where: str, limit_s: float) -> str:
    return f"{where} did not answer within {limit_s:g} s"


def failure_words(where: str, error: OSError, limit_s: float) -> str:
    """Tell why a connection failed, and what to look at."""
    if isinstance(error, TimeoutError):
        return _slow(where, limit_s)
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate of {where} was not accepted: {_certificate(error)}"
    if isinstance(error, ssl.SSLError):
        return (
            f"no secure connection to {where}: {error.reason or error}; is TLS right for this port?"
        )
    if isinstance(error, socket.gaierror):
        return f"the name of {where} is not known; check the name and the network"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {where}; check the address and whether the server runs"
    return f"the connection to {where} failed: {error.strerror or error}"


def _certificate(error: ssl.SSLCertVerificationError) -> str:
    words = error.verify_message or str(error)
    if "not yet valid" in words:
        return "it is not valid yet; the clock of this box may be wrong"
    if "expired" in words:
        return "it has expired; renew it on the server (or the clock of this box is wrong)"
    if "self-signed" in words or "unable to get local issuer" in words:
        return "it is not signed by an authority this box knows; install the shop's authority here"
    return words

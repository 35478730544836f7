"""How a connection to a broker ends, in words, and how long to wait before the next one.

Names of reason codes: MQTT 5.0 (OASIS), sections 2.4, 3.2.2.2 and 3.14.2.1. Numbers of certificate
faults: X509_V_ERR_* of OpenSSL.
"""

import random
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from condmon.config import Broker
from condmon.errors import CondmonError

PAUSE_MIN_S = 1.0
PAUSE_MAX_S = 60.0
SLOW_MIN_S = 60.0  # for what only a person can put right
SLOW_MAX_S = 600.0
THROWN_OUT_TIMES = 3  # so often in a row, and it is no accident
STOOD_S = 30.0  # a connection that stood so long was a good one

_REFUSED_CREDENTIALS = {0x86, 0x87, 0x8C}
_TAKEN_OVER = 0x8E
_ENDED, _NOT_YET = 10, 9
_OTHER_NAME = {62, 64}  # of the host name, of the address
_SELF_MADE = {18, 19, 20, 21}

Why = Literal["lost", "credentials", "taken over", "certificate", "set-up"]


@dataclass(frozen=True, slots=True)
class Ending:
    """Why there is no connection: the kind decides the pause, the words go to a person."""

    why: Why
    words: str


class Pauses:
    """How long to wait before the next attempt: doubling, with jitter, slow where it is hopeless.

    Some brokers close the connection without a word when another client takes the session over.
    `judge` recognises that by its pattern: again and again up at once and soon thrown out.
    """

    def __init__(self, client_id: str, seed: int | None = None) -> None:
        self._client_id = client_id
        self._chance = random.Random(seed)  # noqa: S311 - spreads attempts, guards nothing
        self._failures = 0
        self._slow_failures = 0
        self._short = 0

    def judge(self, ending: Ending, lasted_s: float, *, was_up: bool) -> tuple[Ending, float]:
        """How to understand an ending, and the seconds to wait before the next attempt."""
        ending = self._understood(ending, lasted_s, was_up=was_up)
        if ending.why == "lost":
            self._slow_failures = 0
            self._failures = 0 if lasted_s >= STOOD_S else self._failures + 1
            full_s = min(PAUSE_MAX_S, PAUSE_MIN_S * 2.0 ** min(max(self._failures - 1, 0), 10))
        else:
            self._slow_failures += 1
            full_s = min(SLOW_MAX_S, SLOW_MIN_S * 2.0 ** min(self._slow_failures - 1, 10))
        return ending, full_s * self._chance.uniform(0.5, 1.0)

    def _understood(self, ending: Ending, lasted_s: float, *, was_up: bool) -> Ending:
        suspected = self._short >= THROWN_OUT_TIMES
        good_s = STOOD_S + (SLOW_MAX_S if suspected else 0.0)
        if ending.why != "lost" or not was_up or lasted_s >= good_s:
            self._short = 0
            return ending
        self._short += 1
        if self._short < THROWN_OUT_TIMES:
            return ending
        return Ending(
            "taken over",
            "the broker takes us in and throws us out again and again; most likely another client "
            f"uses our name {self._client_id!r}. Stop the other one or give one of them another "
            "client_id; until then condmon comes back only now and then",
        )


def lost(words: str) -> Ending:
    """A connection that broke or never answered."""
    return Ending("lost", words)


def refused(code: int, name: str) -> Ending:
    """The broker said no to our CONNECT."""
    if code in _REFUSED_CREDENTIALS:
        return Ending(
            "credentials",
            f"the broker refused our user or password ({name}); put the "
            "right one into the password file, it is read again at each attempt",
        )
    if code == 0x85:
        return Ending(
            "set-up",
            f"the broker does not accept our client name ({name}); set "
            "another client_id under [broker]",
        )
    if code in {0x84, 0x01}:
        return Ending(
            "set-up", "the broker does not speak MQTT 5; condmon needs a broker that does"
        )
    return lost(f"the broker refused the connection ({name})")


def thrown_out(code: int, name: str, client_id: str) -> Ending:
    """The broker ended a connection that stood."""
    if code == _TAKEN_OVER:
        return Ending(
            "taken over",
            f"another client came with our name {client_id!r} and took the "
            "session over; stop the other one or give one of them another client_id, "
            "until then condmon comes back only now and then",
        )
    if code in _REFUSED_CREDENTIALS:
        return Ending("credentials", f"the broker withdrew our right to be connected ({name})")
    return lost(f"the broker ended the connection ({name})")


def cannot_connect(error: Exception, broker: Broker) -> Ending:
    """The connection could not even be made."""
    where = f"{broker.host}:{broker.port}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return Ending("certificate", _certificate_words(error, broker.host))
    if isinstance(error, CondmonError):
        return Ending("set-up", str(error))
    if isinstance(error, ssl.SSLError):
        return lost(
            f"no TLS connection to {where}: {error}; perhaps the port "
            "is not the TLS one, or the broker wants a client certificate"
        )
    if isinstance(error, socket.gaierror):
        return lost(f"the name {broker.host!r} of the broker cannot be resolved ({error.strerror})")
    if isinstance(error, ConnectionRefusedError):
        return lost(f"nobody listens at {where}: the broker is not running or the port is another")
    if isinstance(error, TimeoutError):
        return lost(f"no answer from {where}: the network or the broker's machine is down")
    if isinstance(error, OSError) and error.filename:
        return Ending("set-up", f"cannot read {error.filename}: {error.strerror}")
    return lost(f"no connection to {where}: {error}")


def _certificate_words(error: ssl.SSLCertVerificationError, host: str) -> str:
    if error.verify_code == _ENDED:
        return (
            "the broker's certificate has expired; renew it at the broker (or, if it has not, "
            "the system clock here is wrong)"
        )
    if error.verify_code == _NOT_YET:
        return "the broker's certificate is not yet valid; the system clock may be wrong"
    if error.verify_code in _OTHER_NAME:
        return (
            f"the broker's certificate is for another host name than {host!r}; use the name "
            "in the certificate, or make one for this name"
        )
    if error.verify_code in _SELF_MADE:
        return (
            "the broker's certificate is not signed by anyone known here; set ca_file under "
            "[broker] to the certificate of who signed it"
        )
    return f"the broker's certificate is not accepted: {error.verify_message}"


def tls_context(broker: Broker) -> ssl.SSLContext:
    """A context from the files as they are now. Raises CondmonError naming the file."""

    def read(path: Path) -> str:
        try:
            path.read_bytes()
        except OSError as error:
            raise CondmonError(f"cannot read {path}: {error.strerror}") from error
        return str(path)

    files = (broker.ca_file, broker.cert_file, broker.key_file)
    ca, cert, key = (None if path is None else read(path) for path in files)
    try:
        context = ssl.create_default_context(cafile=ca)
        if cert is not None:
            context.load_cert_chain(cert, key)
    except (ssl.SSLError, ValueError) as error:
        named = ", ".join(text for text in (ca, cert, key) if text)
        raise CondmonError(f"the TLS files cannot be used ({named}): {error}") from error
    return context

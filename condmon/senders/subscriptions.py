"""Phones that asked for notifications: kept beside their session in accounts.db, gone with it."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from condmon.errors import StoreError, UsageError
from condmon.senders.sealing import AUTH_BYTES, POINT_BYTES, Receiver
from condmon.store.journal_file import connect, words

ENDPOINT_MAX = 1000
_TABLE = (
    "CREATE TABLE IF NOT EXISTS push(phone TEXT PRIMARY KEY REFERENCES phone(id)"
    " ON DELETE CASCADE, endpoint TEXT NOT NULL UNIQUE, public BLOB NOT NULL, auth BLOB NOT NULL,"
    " made_us INTEGER NOT NULL) STRICT"
)


@dataclass(frozen=True, slots=True)
class Subscription:
    """One phone, whose it is, and where its push service takes messages for it."""

    phone: str
    account: str
    name: str
    endpoint: str
    receiver: Receiver


class Subscriptions:
    """The subscriptions of a data folder; any thread may ask. Raises StoreError."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "accounts.db"

    def put(
        self, phone: str, endpoint: str, receiver: Receiver, hosts: Sequence[str], now_us: int
    ) -> None:
        """Keep where a phone is reached; UsageError when that is not a push service we may call."""
        endpoint_of(endpoint, hosts)
        good_point = len(receiver.public) == POINT_BYTES and receiver.public[:1] == b"\x04"
        if not good_point or len(receiver.auth) != AUTH_BYTES:
            raise UsageError("The keys of this subscription cannot be used; try another browser.")
        with self._db() as db:
            db.execute(
                "INSERT OR REPLACE INTO push VALUES (?, ?, ?, ?, ?)",
                (phone, endpoint, receiver.public, receiver.auth, now_us),
            )

    def of(self, people: Sequence[str] = ()) -> list[Subscription]:
        """The subscriptions of some people, of everyone when none is named."""
        if not self._path.exists():
            return []
        with self._db() as db:
            rows = db.execute(
                "SELECT phone.id, account, name, endpoint, public, auth FROM push"
                " JOIN phone ON phone.id = push.phone ORDER BY push.rowid"
            ).fetchall()
        found = [
            Subscription(phone, account, name, endpoint, Receiver(public, auth))
            for phone, account, name, endpoint, public, auth in rows
        ]
        return [one for one in found if not people or one.account in people]

    def remove(self, phone: str, endpoint: str = "") -> bool:
        """Forget a phone's subscription, or only that one of its; whether there was one."""
        with self._db() as db:
            return bool(
                db.execute(
                    "DELETE FROM push WHERE phone = ?1 AND (?2 = '' OR endpoint = ?2)",
                    (phone, endpoint),
                ).rowcount
            )

    @contextmanager
    def _db(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(connect(self._path)) as db:
                db.execute(_TABLE)
                yield db
        except sqlite3.Error as error:
            raise StoreError(words(self._path, error)) from error


def endpoint_of(endpoint: str, hosts: Sequence[str]) -> SplitResult:
    """The address taken apart; UsageError unless it is https at a push service that is allowed.

    The address is given to us by a browser: without this, anyone signed in could make condmon call
    whatever it reaches.
    """
    try:
        parts = urlsplit(endpoint)
        host, port = (parts.hostname or "").rstrip("."), parts.port or 443
    except ValueError:
        parts, host, port = urlsplit(""), "", 0
    plain = len(endpoint) <= ENDPOINT_MAX and endpoint.isascii() and endpoint.isprintable()
    named = parts.username is not None or parts.password is not None
    if not plain or named or parts.scheme != "https" or not host or " " in endpoint:
        raise UsageError("This address of a push service cannot be used: it must be https.")
    if not any(_allows(one, host, port) for one in hosts):
        raise UsageError(
            f'The push service "{host}" is not among those condmon may call. If it is the one of '
            "this browser, the owner can add it to hosts under [[send.push]]."
        )
    return parts


def _allows(allowed: str, host: str, port: int) -> bool:
    name, _, given = allowed.partition(":")
    if port != int(given or 443):
        return False
    return host.endswith(name[1:]) if name.startswith("*.") else host == name

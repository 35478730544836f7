"""Accounts, signed-in phones and pairing codes: accounts.db, for the page and the command line.

Secrets are kept as hashes only: passwords by argon2id, session tokens and codes (which are random)
by SHA-256. A session is looked up at every request, so that taking it away works at once.
"""

import hashlib
import re
import secrets
import sqlite3
import threading
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from condmon.errors import NewerError, StoreError, UsageError
from condmon.store.journal_file import connect, disk_words, transaction, words
from condmon.web.passwords import Passwords

Role = Literal["viewer", "operator", "owner"]
ROLES: tuple[Role, ...] = ("viewer", "operator", "owner")
"""Each may do what the one before may: look; act on alerts and write; rule over accounts."""

PAIR_S = 300
CODES_MAX = 20
PHONES_MAX = 20  # of one account; the one unused for longest goes
ACCOUNTS_MAX = 200
SEEN_EVERY_US = 60_000_000
_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that is taken for another
_NAME = re.compile(r"\w[\w .-]{0,30}\w|\w")
FORM = 1
_TABLES = """
    CREATE TABLE account(name TEXT PRIMARY KEY, role TEXT NOT NULL, password TEXT NOT NULL,
        made_us INTEGER NOT NULL) STRICT;
    CREATE TABLE phone(id TEXT PRIMARY KEY, digest TEXT NOT NULL UNIQUE, account TEXT NOT NULL
        REFERENCES account(name) ON DELETE CASCADE, name TEXT NOT NULL, made_us INTEGER NOT NULL,
        seen_us INTEGER NOT NULL, address TEXT NOT NULL) STRICT;
    CREATE TABLE code(digest TEXT PRIMARY KEY, account TEXT NOT NULL
        REFERENCES account(name) ON DELETE CASCADE, ends_us INTEGER NOT NULL) STRICT;
"""


@dataclass(frozen=True, slots=True)
class Account:
    """One person."""

    name: str
    role: Role
    made_us: int
    has_password: bool


@dataclass(frozen=True, slots=True)
class Phone:
    """One signed-in browser, and whose it is."""

    id: str
    account: str
    role: Role
    name: str
    made_us: int
    seen_us: int
    address: str


class Accounts:
    """The accounts of a data folder; any thread may ask.

    Parameters
    ----------
    folder : Path
        The data folder.
    now_us : callable
        Time.
    idle_s : float
        How long a phone stays signed in without being used.

    Raises StoreError when the file cannot be used.
    """

    def __init__(
        self, folder: Path, now_us: Callable[[], int], idle_s: float = 90 * 86400.0
    ) -> None:
        self.path = folder / "accounts.db"
        self._now_us = now_us
        self._idle_us = round(idle_s * 1e6)
        self._turn = threading.RLock()
        self.passwords = Passwords()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self.path.touch(mode=0o600)
            self._db = connect(self.path)
            form = self._db.execute("PRAGMA user_version").fetchone()[0]
            if form > FORM:
                self._db.close()
                raise NewerError(self.path, form, FORM)
            if form == 0:
                self._db.executescript(
                    f"BEGIN IMMEDIATE; {_TABLES} PRAGMA user_version = {FORM}; COMMIT;"
                )
        except OSError as error:
            raise StoreError(disk_words(self.path, error)) from error
        except sqlite3.Error as error:
            raise StoreError(words(self.path, error)) from error

    def close(self) -> None:
        """Close the file."""
        with self._turn:
            self._db.close()

    # accounts

    def all(self) -> list[Account]:
        """Every account, by name."""
        rows = self._rows("SELECT name, role, made_us, password <> '' FROM account ORDER BY name")
        return [Account(name, role, at, bool(has)) for name, role, at, has in rows]

    def has_owner(self) -> bool:
        """Whether anyone rules over the page yet."""
        return bool(self._rows("SELECT 1 FROM account WHERE role = 'owner'"))

    def add(self, name: str, role: Role, password: str = "") -> str:
        """Make an account; its name as kept. Without a password it can only be paired."""
        name = proper_name(name)
        if role not in ROLES:
            raise UsageError(f'"{role}" is no role; known are {", ".join(ROLES)}.')
        kept = self.passwords.hash(password) if password else ""
        with self._writing() as db:
            if db.execute("SELECT count(*) FROM account").fetchone()[0] >= ACCOUNTS_MAX:
                raise UsageError(f"There are {ACCOUNTS_MAX} accounts already; remove one first.")
            if db.execute("SELECT 1 FROM account WHERE name = ?", (name,)).fetchone():
                raise UsageError(f'There is an account "{name}" already.')
            db.execute(
                "INSERT INTO account VALUES (?, ?, ?, ?)", (name, role, kept, self._now_us())
            )
        return name

    def set_role(self, name: str, role: Role) -> None:
        """Give an account another role; the last owner stays one."""
        if role not in ROLES:
            raise UsageError(f'"{role}" is no role; known are {", ".join(ROLES)}.')
        with self._writing() as db:
            self._must_exist(name)
            if role != "owner":
                self._keep_an_owner(name)
            db.execute("UPDATE account SET role = ? WHERE name = ?", (role, name))

    def set_password(self, name: str, password: str) -> None:
        """Give an account another password; its phones have to sign in again."""
        kept = self.passwords.hash(password)
        with self._writing() as db:
            self._must_exist(name)
            db.execute("UPDATE account SET password = ? WHERE name = ?", (kept, name))
            db.execute("DELETE FROM phone WHERE account = ?", (name,))

    def remove(self, name: str) -> None:
        """Take an account away with its phones; the last owner stays."""
        with self._writing() as db:
            self._must_exist(name)
            self._keep_an_owner(name)
            db.execute("DELETE FROM account WHERE name = ?", (name,))

    def password_fits(self, name: str, password: str) -> str:
        """Name of the account as kept when the password is its own, else empty; Busy at a rush."""
        name = _plain(name)
        rows = self._rows("SELECT password FROM account WHERE name = ?", name)
        return name if self.passwords.fits(rows[0][0] if rows else "", password) else ""

    # phones

    def sign_in(self, name: str, phone: str, address: str) -> str:
        """Make a session of an account; the token that the browser keeps."""
        token, now_us = secrets.token_urlsafe(32), self._now_us()
        with self._writing() as db:
            self._must_exist(name)
            db.execute(
                "INSERT INTO phone VALUES (?, ?, ?, ?, ?, ?, ?)",
                (secrets.token_hex(8), _digest(token), name, phone[:60], now_us, now_us, address),
            )
            db.execute(
                "DELETE FROM phone WHERE account = ?1 AND id NOT IN (SELECT id FROM phone"
                " WHERE account = ?1 ORDER BY seen_us DESC, made_us DESC LIMIT ?2)",
                (name, PHONES_MAX),
            )
            db.execute("DELETE FROM phone WHERE seen_us < ?", (now_us - self._idle_us,))
        return token

    def phone(self, token: str) -> Phone | None:
        """Whose session a token is; None when it is nobody's, taken away or unused for too long."""
        now_us = self._now_us()
        found = self._phones("WHERE digest = ? AND seen_us >= ?", _digest(token),
                             now_us - self._idle_us)  # fmt: skip
        if not found:
            return None
        if now_us - found[0].seen_us > SEEN_EVERY_US:
            with self._writing() as db:
                db.execute("UPDATE phone SET seen_us = ? WHERE id = ?", (now_us, found[0].id))
        return found[0]

    def phones(self) -> list[Phone]:
        """Every session, the one used last first."""
        return self._phones("WHERE seen_us >= ? ORDER BY seen_us DESC",
                            self._now_us() - self._idle_us)  # fmt: skip

    def sign_out(self, phone_id: str) -> bool:
        """End a session at once; False when there was none."""
        with self._writing() as db:
            return bool(db.execute("DELETE FROM phone WHERE id = ?", (phone_id,)).rowcount)

    # pairing

    def pairing_code(self, name: str) -> str:
        """A code by which one phone can sign in as an account, once, within PAIR_S seconds."""
        code = "".join(secrets.choice(_LETTERS) for _ in range(12))
        now_us = self._now_us()
        with self._writing() as db:
            self._must_exist(name)
            db.execute("DELETE FROM code WHERE ends_us <= ?", (now_us,))
            if db.execute("SELECT count(*) FROM code").fetchone()[0] >= CODES_MAX:
                raise UsageError("Many codes are waiting to be used; wait a few minutes.")
            db.execute("INSERT INTO code VALUES (?, ?, ?)",
                       (_digest(code), name, now_us + PAIR_S * 1_000_000))  # fmt: skip
        return "-".join(code[i : i + 4] for i in (0, 4, 8))

    def use_code(self, code: str) -> str:
        """Name of the account a code pairs with, and the code is used up; empty when it is none."""
        with self._writing() as db:
            row = db.execute(
                "DELETE FROM code WHERE digest = ? RETURNING account, ends_us",
                (_digest(bare_code(code)),),
            ).fetchone()
        return row[0] if row and row[1] > self._now_us() else ""

    # the file

    def _phones(self, which: str, *values: object) -> list[Phone]:
        rows = self._rows(
            "SELECT phone.id, account, role, phone.name, phone.made_us, seen_us, address"  # noqa: S608 - constant
            f" FROM phone JOIN account ON account.name = phone.account {which}",
            *values,
        )
        return [Phone(*row) for row in rows]

    def _must_exist(self, name: str) -> None:
        if not self._rows("SELECT 1 FROM account WHERE name = ?", name):
            raise UsageError(f'There is no account "{name}".')

    def _keep_an_owner(self, name: str) -> None:
        others = self._rows("SELECT 1 FROM account WHERE role = 'owner' AND name <> ?", name)
        if not others:
            raise UsageError("This is the only owner; make someone else an owner first.")

    def _rows(self, sql: str, *values: object) -> Sequence[tuple[Any, ...]]:
        try:
            with self._turn:
                return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise StoreError(words(self.path, error)) from error

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        try:
            with self._turn, transaction(self._db):
                yield self._db
        except sqlite3.Error as error:
            raise StoreError(words(self.path, error)) from error


def proper_name(name: str) -> str:
    """The name as it is kept; UsageError when it will not do."""
    plain = _plain(name)
    if not _NAME.fullmatch(plain) or plain == "condmon":
        raise UsageError(
            "A name has 1 to 32 letters, figures, dots, blanks or - and begins and ends with a "
            'letter or figure; "condmon" is condmon itself.'
        )
    return plain


def bare_code(code: str) -> str:
    """A code as it was made, however it was typed."""
    return re.sub(r"[\s-]", "", code[:40]).upper()


def new_code() -> str:
    """A code of 16 letters for the first owner."""
    code = "".join(secrets.choice(_LETTERS) for _ in range(16))
    return "-".join(code[i : i + 4] for i in (0, 4, 8, 12))


def _plain(name: str) -> str:
    return unicodedata.normalize("NFKC", name).strip().lower()


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()

"""Passwords: argon2id, one hash at a time, the same work for names that do not exist.

19 MiB, two passes, one lane (the second of the choices that RFC 9106 and common guidance give for
small memory, from memory); 54 ms of one core where it was measured.
"""

import threading
import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from condmon.errors import UsageError

LENGTH_MIN, LENGTH_MAX = 10, 200
WAIT_S = 3.0


class Busy(Exception):  # noqa: N818 - a state, not an error of anyone's making
    """Too many passwords are being looked at already."""


class Passwords:
    """Makes and verifies hashes; one thread works, others wait a moment and then are sent away."""

    def __init__(self) -> None:
        self._hasher = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)
        self._turn = threading.Lock()
        self._nobody = self._hasher.hash("the password of nobody")

    def hash(self, password: str) -> str:
        """Hash a new password; UsageError when it will not do."""
        plain = _normal(password)
        if not LENGTH_MIN <= len(plain) <= LENGTH_MAX:
            raise UsageError(
                f"A password has {LENGTH_MIN} to {LENGTH_MAX} characters; a few words in a row "
                "are easy to keep and hard to guess."
            )
        if len(set(plain)) < 4:
            raise UsageError("This password repeats a few characters only; take another.")
        with self._turn:
            return self._hasher.hash(plain)

    def fits(self, kept: str, password: str) -> bool:
        """Whether a password is the kept one; an empty `kept` costs the same and never fits."""
        plain = _normal(password)[:LENGTH_MAX]
        if not self._turn.acquire(timeout=WAIT_S):
            raise Busy
        try:
            return self._hasher.verify(kept or self._nobody, plain) and bool(kept)
        except (VerificationError, InvalidHashError):
            return False
        finally:
            self._turn.release()


def _normal(password: str) -> str:
    """One form for letters that can be typed in two ways."""
    return unicodedata.normalize("NFKC", password)

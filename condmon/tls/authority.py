"""The box's own certificate authority and the page's certificate, in `tls/` of the data folder.

The authority is bound by critical name constraints (RFC 5280, 4.2.1.10) to the names of this box
and to private addresses, so that its key, if stolen, cannot pose as anyone else's site. The page's
certificate is renewed long before it ends; phones that trust the authority notice nothing.
"""

import hashlib
import ipaddress
import os
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from condmon.config.web import TLS_FOLDER
from condmon.errors import StoreError, UsageError
from condmon.tls.boxnames import PRIVATE, is_address, is_private, own_names

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.hashes import SHA256

AUTHORITY_DAYS = 3650
PAGE_DAYS = 200  # phones refuse more than 825 (from memory)
RENEW_DAYS = 60  # before its end
BACKDATED = timedelta(days=1)  # for phones whose clock is behind


class Places(NamedTuple):
    """Where the files are; the keys are readable by condmon's user alone."""

    authority: Path
    authority_key: Path
    page: Path
    page_key: Path


def places(folder: Path) -> Places:
    """The files of a data folder."""
    tls = folder / TLS_FOLDER
    return Places(tls / "authority.pem", tls / "authority.key", tls / "page.pem", tls / "page.key")


def ensure(folder: Path, site: str, names: Sequence[str], now_us: int) -> str:
    """Make what is missing, renew what is about to end; words of what was done, empty: nothing.

    Raises StoreError when a file cannot be read or written, UsageError when the authority cannot
    sign for the names that are asked for.
    """
    at = places(folder)
    try:
        if not at.authority.exists():
            make_authority(folder, site, names, now_us)
            renew(folder, names, now_us)
            return "an own certificate authority was made"
        wanted = wanted_names(at.authority, names)
        if not at.page.exists() or not at.page_key.exists() or due(at.page, wanted, now_us):
            renew(folder, names, now_us)
            return "the page's certificate was renewed"
    except OSError as error:
        words = f"{folder / TLS_FOLDER}: cannot be used: {error.strerror or error}"
        raise StoreError(words) from error
    except ValueError as error:
        raise StoreError(
            f"{folder / TLS_FOLDER}: a file there cannot be read: {error}. Move the folder away; "
            "a new authority is made then, and phones have to install it anew."
        ) from error
    return ""


def due(page: Path, names: Sequence[str], now_us: int) -> bool:
    """Whether a page's certificate is about to end or lacks a name or address of this computer."""
    ends_us = ends_at_us(page)
    return ends_us - now_us < RENEW_DAYS * 86_400_000_000 or not set(names) <= set(told(page))


def wanted_names(authority: Path, names: Sequence[str]) -> list[str]:
    """The given names, and whatever else this computer is called that may be signed for."""
    bounds = _load(authority)
    return [name for name in own_names(names) if name in names or _allowed(bounds, name)]


def make_authority(folder: Path, site: str, names: Sequence[str], now_us: int) -> None:
    """Make a new authority, in place of one that is there."""
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    key = _new_key()
    name = x509.Name([
        x509.NameAttribute(NameOID.COMMON_NAME, f"condmon of {site}"[:64]),
        x509.NameAttribute(NameOID.ORGANIZATION_NAME, site[:64]),
    ])  # fmt: skip
    hosts = [x509.DNSName(name) for name in own_names(names) if not is_address(name)]
    nets = [x509.IPAddress(ipaddress.ip_network(net)) for net in PRIVATE]
    public = [
        x509.IPAddress(ipaddress.ip_network(name))
        for name in names
        if is_address(name) and not is_private(name)
    ]
    usage = x509.KeyUsage(
        digital_signature=False, content_commitment=False, key_encipherment=False,
        data_encipherment=False, key_agreement=False, key_cert_sign=True, crl_sign=True,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip
    made = (
        _builder(name, name, key, now_us, AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(
            x509.NameConstraints([*hosts, *nets, *public], excluded_subtrees=None), critical=True
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, _sha256())
    )
    at = places(folder)
    _write(at.authority_key, _key_text(key), secret=True)
    _write(at.authority, _text(made), secret=False)


def renew(folder: Path, names: Sequence[str], now_us: int) -> None:
    """Make a new certificate for the page, signed by the authority; a new key each time."""
    from cryptography import x509
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    at = places(folder)
    authority, authority_key = _load(at.authority), _load_key(at.authority_key)
    wanted = wanted_names(at.authority, names)
    _check_allowed(authority, wanted)
    key = _new_key()
    title = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, wanted[0][:64])])
    identifier = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key())
    made = (
        _builder(title, authority.subject, key, now_us, PAGE_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName(_general(wanted)), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(identifier, critical=False)
        .sign(authority_key, _sha256())
    )
    # the key first: until the certificate fits, the page goes on with the old pair
    _write(at.page_key, _key_text(key), secret=True)
    _write(at.page, _text(made), secret=False)


def fingerprint(path: Path) -> str:
    """SHA-256 over a certificate, as phones and browsers show it. Raises OSError, ValueError."""
    digest = hashlib.sha256(der(path)).hexdigest().upper()
    return ":".join(digest[i : i + 2] for i in range(0, 64, 2))


def der(path: Path) -> bytes:
    """A certificate as phones take it. Raises OSError, ValueError."""
    from cryptography.hazmat.primitives.serialization import Encoding

    return _load(path).public_bytes(Encoding.DER)


def ends_at_us(path: Path) -> int:
    """When a certificate ends. Raises OSError, ValueError."""
    return round(_load(path).not_valid_after_utc.timestamp() * 1e6)


def told(path: Path) -> list[str]:
    """Names and addresses that a page's certificate stands for. Raises OSError, ValueError."""
    from cryptography import x509

    try:
        found = _load(path).extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return []
    return [str(name.value) for name in found.value]


def constraints(path: Path) -> list[str]:
    """What an authority may sign for. Raises OSError, ValueError."""
    from cryptography import x509

    found = _load(path).extensions.get_extension_for_class(x509.NameConstraints)
    return [str(name.value) for name in found.value.permitted_subtrees or []]


def _check_allowed(authority: "x509.Certificate", names: Sequence[str]) -> None:
    barred = [name for name in names if not _allowed(authority, name)]
    if barred:
        raise UsageError(
            f"The box's own authority may not sign for {', '.join(barred)}: it was made before "
            "that name was given. Make a new one with `condmon certificate make`, and install it "
            "on the phones."
        )


def _allowed(authority: "x509.Certificate", name: str) -> bool:
    from cryptography import x509

    found = authority.extensions.get_extension_for_class(x509.NameConstraints)
    for one in found.value.permitted_subtrees or []:
        if isinstance(one, x509.IPAddress):
            if is_address(name) and ipaddress.ip_address(name) in ipaddress.ip_network(one.value):
                return True
        elif name == one.value or name.endswith(f".{one.value}"):
            return True
    return False


def _builder(
    subject: "x509.Name",
    issuer: "x509.Name",
    key: "EllipticCurvePrivateKey",
    now_us: int,
    days: int,
) -> "x509.CertificateBuilder":
    from cryptography import x509

    now = datetime.fromtimestamp(now_us / 1e6, UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + timedelta(days=days) - BACKDATED)
    )


def _general(names: Sequence[str]) -> "list[x509.GeneralName]":
    from cryptography import x509

    return [
        x509.IPAddress(ipaddress.ip_address(name)) if is_address(name) else x509.DNSName(name)
        for name in names
    ]


# keys and files


def _new_key() -> "EllipticCurvePrivateKey":
    from cryptography.hazmat.primitives.asymmetric import ec

    return ec.generate_private_key(ec.SECP256R1())


def _key_text(key: "EllipticCurvePrivateKey") -> bytes:
    from cryptography.hazmat.primitives import serialization as form

    return key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())


def _load_key(path: Path) -> "EllipticCurvePrivateKey":
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    found = load_pem_private_key(path.read_bytes(), None)
    if not isinstance(found, EllipticCurvePrivateKey):
        raise ValueError(f"{path.name} is no key of condmon's own")  # noqa: TRY004 - of a file
    return found


def _load(path: Path) -> "x509.Certificate":
    from cryptography import x509

    return x509.load_pem_x509_certificate(path.read_bytes())


def _text(made: "x509.Certificate") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding

    return made.public_bytes(Encoding.PEM)


def _sha256() -> "SHA256":
    from cryptography.hazmat.primitives.hashes import SHA256

    return SHA256()


def _write(path: Path, content: bytes, *, secret: bool) -> None:
    """Whole or not at all, and never readable by others for a moment where it is secret."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    new = path.with_name(f"{path.name}.{os.getpid()}.new")
    new.unlink(missing_ok=True)
    new.touch(mode=0o600 if secret else 0o644)
    with new.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)

"""Ids made from what a thing is about: the same work done twice makes the same id."""

import hashlib


def short_id(*parts: object) -> str:
    """Sixteen hexadecimal digits of a digest over the parts."""
    text = "\x1f".join(str(part) for part in parts)
    return hashlib.blake2b(text.encode(errors="replace"), digest_size=8).hexdigest()

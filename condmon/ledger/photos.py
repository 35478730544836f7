"""Photos that entries name: a photo's name is the beginning of the hash of its content.

So the chain, which covers the text of an entry, covers the photo too.
"""

import hashlib
import re
from pathlib import Path
from typing import NamedTuple

MARK = re.compile(r"\[photo ([0-9a-f]{24})\]")
"""How an entry names a photo in its text."""


class Photo(NamedTuple):
    """What lies under a photo's name: its content, or why there is none to be shown."""

    name: str
    content: bytes
    trouble: str


def photos_in(text: str) -> list[str]:
    """Names of the photos in a text, in their order."""
    return MARK.findall(text)


def look_up(folder: Path, name: str) -> Photo:
    """Read a photo of a data folder and see whether it is the one that was named."""
    try:
        content = (folder / "photos" / f"{name}.jpg").read_bytes()
    except FileNotFoundError:
        return Photo(name, b"", "is missing")
    except OSError as error:
        return Photo(name, b"", f"cannot be read ({error.strerror})")
    if hashlib.sha256(content).hexdigest()[:24] != name:
        return Photo(name, b"", "is not the one that was taken: its content was changed")
    return Photo(name, content, "")

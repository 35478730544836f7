"""Photos that belong to notes: made smaller, freed of what cameras write into them, bounded."""

import hashlib
import os
import re
import warnings
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

from condmon.errors import StoreError, UsageError
from condmon.ledger.photos import MARK
from condmon.store.journal_file import disk_words

__all__ = ["MARK", "Photos"]

EDGE_MAX = 1600
PIXELS_MAX = 60_000_000
FOLDER_BYTES_MAX = 2_000_000_000
FORMATS = ("JPEG", "PNG", "WEBP")
NAME = re.compile(r"[0-9a-f]{24}")


class Photos:
    """The photos of a data folder; a photo's name is made from its content."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "photos"

    def keep(self, file: BinaryIO) -> str:
        """Keep a photo; its name. UsageError when it is none that can be read."""
        content = _plain(file)
        name = hashlib.sha256(content).hexdigest()[:24]
        try:
            self._folder.mkdir(mode=0o750, exist_ok=True)
            kept = sum(path.stat().st_size for path in self._folder.iterdir())
            if kept + len(content) > FOLDER_BYTES_MAX:
                raise UsageError("There is no room for more photos; the owner has to move some.")
            path = self._folder / f"{name}.jpg"
            if not path.exists():
                new = path.with_suffix(f".{os.getpid()}.new")
                new.write_bytes(content)
                new.replace(path)
        except OSError as error:
            raise StoreError(disk_words(self._folder, error)) from error
        return name

    def path(self, name: str) -> Path | None:
        """Where a photo is; None when there is none of that name."""
        path = self._folder / f"{name}.jpg"
        return path if NAME.fullmatch(name) and path.is_file() else None


def _plain(file: BinaryIO) -> bytes:
    """Decode and encode anew: only the picture is left, the right way up."""
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            image = Image.open(file, formats=FORMATS)
            if image.width * image.height > PIXELS_MAX:
                raise UsageError("This photo has too many pixels; take a smaller one.")
            image.draft("RGB", (EDGE_MAX, EDGE_MAX))  # JPEG: decode no more than is kept
            upright = ImageOps.exif_transpose(image)
            upright.thumbnail((EDGE_MAX, EDGE_MAX))
            out = BytesIO()
            bare = Image.new("RGB", upright.size)  # comments and the like would be saved along
            bare.paste(upright.convert("RGB"))
            bare.save(out, "JPEG", quality=80, optimize=True)
            return out.getvalue()
    except UsageError:
        raise
    except Exception as error:  # a decoder raises whatever a broken file makes it
        raise UsageError(
            f"This photo cannot be read; take it as {', '.join(FORMATS)} and send it again."
        ) from error

"""State as plain bytes and back: JSON, columns as base64, versioned, nothing executable."""

import base64
import json
from typing import Any

import numpy as np

VERSION = 1
_ARRAY = "_array"
_KINDS = {"<f8", "<i8", "<i4", "|i1", "|u1", "<u2", "|b1"}


class SnapshotError(ValueError):
    """A snapshot cannot be used; the recordings rebuild what it held."""


def pack(state: dict[str, Any], settings: str) -> bytes:
    """Bytes of a state made of dicts, lists, text, numbers, None and numpy columns."""
    whole = {"version": VERSION, "settings": settings, "state": state}
    return json.dumps(whole, default=_array, separators=(",", ":")).encode()


def unpack(blob: bytes, settings: str) -> dict[str, Any]:
    """The state of `blob`; SnapshotError if it is damaged, of another version or other settings."""
    try:
        whole = json.loads(blob, object_hook=_restore)
        version, made_for, state = whole["version"], whole["settings"], whole["state"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise SnapshotError(f"the snapshot cannot be read ({type(error).__name__})") from error
    if version != VERSION:
        raise SnapshotError(f"the snapshot has version {version}, this condmon reads {VERSION}")
    if made_for != settings:
        raise SnapshotError("the snapshot was made under another configuration")
    if not isinstance(state, dict):
        raise SnapshotError("the snapshot holds no state")
    return state


def made_under(blob: bytes) -> str | None:
    """The configuration a snapshot was made under; None if it cannot be read."""
    try:
        return str(json.loads(blob)["settings"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def _array(value: object) -> object:
    if isinstance(value, np.ndarray) and value.dtype.str in _KINDS:
        text = base64.b64encode(np.ascontiguousarray(value).tobytes()).decode()
        return {_ARRAY: value.dtype.str, "shape": list(value.shape), "b64": text}
    raise TypeError(f"{type(value).__name__} does not belong in a snapshot")


def _restore(value: dict[str, Any]) -> Any:
    if _ARRAY not in value:
        return value
    if value[_ARRAY] not in _KINDS:
        raise ValueError("unknown column kind")
    column = np.frombuffer(base64.b64decode(value["b64"]), dtype=value[_ARRAY])
    return column.reshape(value["shape"]).copy()

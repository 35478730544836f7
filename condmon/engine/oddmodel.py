"""The fitted odd pattern of a machine as text and back: versioned JSON with a checksum. Pure.

It holds numbers only, per duty a baseline and a forest; nothing in it can be executed. The same
text lies on disk, goes through the recording and comes back in a replay. What is damaged, of
another version, or made for other signals is refused with the reason.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from condmon.engine.forest import Forest, ForestError, from_text, packed, to_text, unpacked
from condmon.engine.oddness import Baseline, Watcher
from condmon.engine.records import MODEL_CONTENT_MAX

KIND = "odd"
VERSION = 1
FEATURES_MAX = 400


class OddModelError(ValueError):
    """A model cannot be used; the text says why."""


@dataclass(frozen=True, slots=True, eq=False)
class DutyModel:
    """What is usual in one duty."""

    usual: Baseline
    watcher: Watcher | None
    threshold: float  # scores are divided by it
    frames: int  # it was fitted from
    days: int


@dataclass(frozen=True, slots=True, eq=False)
class OddModel:
    """All duties of a machine; `refused` says why a duty has none."""

    machine: str
    features: tuple[str, ...]
    units: tuple[str, ...]
    duties: Mapping[str, DutyModel]
    refused: Mapping[str, str]
    from_us: int
    to_us: int
    alerts_a_week: float  # false alerts it was given as a budget
    made_by: Mapping[str, str]  # versions

    def content(self) -> str:
        """JSON with its checksum, the same text for the same model.

        Raises
        ------
        OddModelError
            If it is larger than a record may be.
        """
        whole = {
            "model": KIND,
            "version": VERSION,
            "machine": self.machine,
            "features": self.features,
            "units": self.units,
            "duties": {name: _duty_text(duty) for name, duty in self.duties.items()},
            "refused": dict(self.refused),
            "from_us": self.from_us,
            "to_us": self.to_us,
            "alerts_a_week": self.alerts_a_week,
            "made_by": dict(self.made_by),
        }
        text = _text({**whole, "sha256": checksum(whole)})
        if len(text) > MODEL_CONTENT_MAX:
            raise OddModelError(f"it is larger than a model can be ({MODEL_CONTENT_MAX} letters)")
        return text

    @property
    def id(self) -> str:
        """The start of its checksum."""
        return str(json.loads(self.content())["sha256"])[:16]


def read_model(content: str) -> OddModel:
    """The model of a content; raises OddModelError that says what is wrong with it."""
    if len(content) > MODEL_CONTENT_MAX:
        raise OddModelError("it is larger than a model can be")
    try:
        whole = json.loads(content)
        if not isinstance(whole, dict) or whole.get("model") != KIND:
            raise OddModelError("it is no model of an odd pattern")
        if whole.get("version") != VERSION:
            raise OddModelError(
                f"it has version {whole.get('version')}, this condmon reads {VERSION}: "
                "fit it again with condmon learn"
            )
        if whole.pop("sha256", "") != checksum(whole):
            raise OddModelError("its checksum does not fit: it is damaged or was changed by hand")
        return _model(whole)
    except ForestError as error:
        raise OddModelError(f"its forest cannot be used: {error}") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        if isinstance(error, OddModelError):
            raise
        raise OddModelError(f"it cannot be read ({type(error).__name__})") from error


def checksum(whole: Mapping[str, Any]) -> str:
    """SHA-256 of the text without the checksum itself."""
    return hashlib.sha256(_text(whole).encode()).hexdigest()


def _text(whole: Mapping[str, Any]) -> str:
    return json.dumps(whole, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _model(whole: Mapping[str, Any]) -> OddModel:
    features, units = tuple(map(str, whole["features"])), tuple(map(str, whole["units"]))
    if not 0 < len(features) <= FEATURES_MAX or len(units) != len(features):
        raise OddModelError(f"it has {len(features)} features and {len(units)} units")
    duties = {str(k): _duty(v, len(features)) for k, v in whole["duties"].items()}
    if not duties:
        raise OddModelError("it knows no duty")
    return OddModel(
        str(whole["machine"]),
        features,
        units,
        duties,
        {str(k): str(v) for k, v in whole["refused"].items()},
        int(whole["from_us"]),
        int(whole["to_us"]),
        float(whole["alerts_a_week"]),
        {str(k): str(v) for k, v in whole["made_by"].items()},
    )


def _duty_text(duty: DutyModel) -> dict[str, Any]:
    usual, watcher = duty.usual, duty.watcher
    return {
        "usual": {
            name: packed(getattr(usual, name), "<f4" if name == "weigh" else "<f8")
            for name in Baseline._fields
        },
        "forest": None if watcher is None else to_text(watcher.forest.trees),
        "forest_level": None if watcher is None else watcher.level,
        "threshold": duty.threshold,
        "frames": duty.frames,
        "days": duty.days,
    }


def _duty(text: Mapping[str, Any], p: int) -> DutyModel:
    flat = {
        name: unpacked(text["usual"][name], "<f4" if name == "weigh" else "<f8").astype(np.float64)
        for name in Baseline._fields
    }
    if any(column.size != (p * p if name == "weigh" else p) for name, column in flat.items()):
        raise OddModelError("a baseline does not have a figure for each feature")
    if not all(np.isfinite(column).all() for column in flat.values()):
        raise OddModelError("a baseline holds what is no number")
    if any(np.any(flat[name] <= 0) for name in ("scale", "root", "spread")):
        raise OddModelError("a baseline holds a scatter that is not positive")
    usual = Baseline(**{**flat, "weigh": _square(flat["weigh"], p)})
    threshold = float(text["threshold"])
    if not 0 < threshold < np.inf:
        raise OddModelError("its threshold is not positive")
    watcher = None
    if text["forest"] is not None:
        level = float(text["forest_level"])
        if not 0 < level < np.inf:
            raise OddModelError("the threshold of its forest is not positive")
        watcher = Watcher(Forest(from_text(text["forest"]), p), level)
    return DutyModel(usual, watcher, threshold, int(text["frames"]), int(text["days"]))


def _square(flat: NDArray[np.float64], p: int) -> NDArray[np.float64]:
    return flat.reshape(p, p).copy()

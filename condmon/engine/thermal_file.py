"""The thermal model of a machine as text and back: versioned JSON with a digest. Pure.

Nothing in it can be executed. A content that is damaged, of another version or makes no sense is
refused with the reason.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from condmon.engine.ids import short_id
from condmon.engine.records import MODEL_CONTENT_MAX
from condmon.engine.thermal import EXPONENT_MAX, EXPONENT_MIN, SPEED_MAX, BearingModel
from condmon.engine.thermal_trend import Trend, plain, read_trend

KIND = "thermal"
VERSION = 2
_UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, RecursionError)
UNITS = {"temperature": "Cel", "difference": "K", "time": "s", "speed": "/min"}


class ModelError(ValueError):
    """A model cannot be used; the text says why."""


@dataclass(frozen=True, slots=True)
class MachineModel:
    """The models of a machine's bearings; `refused` says why a bearing has none."""

    machine: str
    bearings: Mapping[str, BearingModel]
    refused: Mapping[str, str]
    from_us: int
    to_us: int
    made_by: Mapping[str, str]  # versions of condmon and numpy
    trends: Mapping[str, Trend] = field(default_factory=dict)  # of each bearing with a model

    @property
    def id(self) -> str:
        """Digest of the content."""
        return _digest(self._whole())

    def content(self) -> str:
        """JSON with its digest, the same text for the same model."""
        whole = self._whole()
        return _text({**whole, "digest": _digest(whole)})

    def _whole(self) -> dict[str, Any]:
        trends = {name: plain(trend) for name, trend in self.trends.items()}
        rest = asdict(replace(self, trends={}))
        return {"model": KIND, "version": VERSION, "units": UNITS, **rest, "trends": trends}


def read_model(content: str) -> MachineModel:
    """The model of a content; raises ModelError that says what is wrong with it."""
    if len(content) > MODEL_CONTENT_MAX:
        raise ModelError("it is larger than a model can be")
    try:
        whole = json.loads(content)
        if whole["model"] != KIND or whole["version"] != VERSION:
            raise ModelError(
                f"it is a model {whole['model']} of version {whole['version']}, this condmon "
                f"reads {KIND} {VERSION}: fit it again with condmon learn"
            )
        if whole.pop("digest") != _digest(whole):
            raise ModelError("its digest is wrong: it is damaged or was changed by hand")
        return MachineModel(
            str(whole["machine"]),
            {name: _bearing(saved) for name, saved in whole["bearings"].items()},
            {str(k): str(v) for k, v in whole["refused"].items()},
            int(whole["from_us"]),
            int(whole["to_us"]),
            {str(k): str(v) for k, v in whole["made_by"].items()},
            {str(name): read_trend(saved) for name, saved in whole["trends"].items()},
        )
    except ModelError:
        raise
    except _UNREADABLE as error:
        raise ModelError(f"it cannot be read ({type(error).__name__}: {error})") from error


def bearing_of(content: str, machine: str, bearing: str) -> BearingModel | None:
    """The model of one bearing of a machine, None where it has none; raises ModelError."""
    return model_of(content, machine).bearings.get(bearing)


def model_of(content: str, machine: str) -> MachineModel:
    """The model of a machine; raises ModelError, also where it was made for another one."""
    made = read_model(content)
    if made.machine != machine:
        raise ModelError(f"it was made for {made.machine}")
    return made


def _text(whole: dict[str, Any]) -> str:
    return json.dumps(whole, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _digest(whole: dict[str, Any]) -> str:
    return short_id(KIND, _text(json.loads(_text(whole))))


def _bearing(saved: dict[str, Any]) -> BearingModel:
    known = {field.name for field in fields(BearingModel)}
    if set(saved) != known:
        raise ModelError(f"a bearing's parameters are not {', '.join(sorted(known))}")
    tau_off = saved["tau_off_s"]
    made = BearingModel(
        gain_k=float(saved["gain_k"]),
        speed_ref=float(saved["speed_ref"]),
        exponent=float(saved["exponent"]),
        tau_s=float(saved["tau_s"]),
        supply_share=float(saved["supply_share"]),
        offset_k=float(saved["offset_k"]),
        sigma_k=float(saved["sigma_k"]),
        tau_off_s=None if tau_off is None else float(tau_off),
        slow_share=float(saved["slow_share"]),
        slow_tau_s=float(saved["slow_tau_s"]),
        named=tuple(str(name) for name in saved["named"]),
        covariance=tuple(tuple(float(v) for v in row) for row in saved["covariance"]),
    )
    if not _sound(made):
        raise ModelError("a bearing's parameters make no sense")
    return made


def _sound(made: BearingModel) -> bool:
    n = len(made.named)
    square = len(made.covariance) == n and all(len(row) == n for row in made.covariance)
    finite = [made.offset_k, *(v for row in made.covariance for v in row)]
    return (
        square
        and all(math.isfinite(v) for v in finite)
        and all(made.covariance[i][i] >= 0.0 for i in range(n))
        and 0.0 < made.gain_k < 1e4
        and 1.0 <= made.speed_ref <= SPEED_MAX
        and EXPONENT_MIN <= made.exponent <= EXPONENT_MAX
        and 1.0 <= made.tau_s < 1e6
        and (made.tau_off_s is None or 1.0 <= made.tau_off_s < 1e6)
        and 0.0 <= made.supply_share <= 1.0
        and 0.0 < made.sigma_k < 100.0
        and 0.0 <= made.slow_share < 1.0
        and (made.slow_share == 0.0 or 1.0 <= made.slow_tau_s < 1e6)
    )

"""Pages of measurements and calibrations: charts, a new value, the question after a step."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import Response

from condmon.engine.servicebook.fields import key_from
from condmon.engine.servicebook.series import Series
from condmon.web.parts import Parts, back_to, needs, parts_of, shown
from condmon.web.servicecharts import series_chart
from condmon.web.visits import Key, Line, Text, file, there

router = APIRouter(include_in_schema=False)

LAST = 30
UNITS = ("um", "tenths", "mm", "thou")
"""What a shop writes down as a length; other series keep to their own unit."""
Figure = Annotated[str, Form(max_length=20)]


@router.get("/series")
@needs("viewer")
def series_page(request: Request) -> Response:
    """All series with their charts, those with a question first."""
    parts = parts_of(request)
    known = list(parts.shelf.read().book.series.known.values())
    known.sort(key=lambda s: (not s.open_steps(), not s.out_of_tolerance(), s.machine, s.title))
    return shown(request, "series.html", series=known, chart=series_chart,
                 machines=parts.settings.machines, units=UNITS)  # fmt: skip


@router.post("/series")
@needs("operator")
def add_series(
    request: Request,
    machine: Key,
    title: Line,
    unit: Annotated[str, Form(max_length=20)] = "um",
    tolerance: Figure = "",
) -> Response:
    """Add a series of measurements."""
    key = key_from(title, parts_of(request).shelf.read().book.series.known)
    content: dict[str, str | float] = {"title": title, "unit": unit}
    if tolerance.strip():
        content["tolerance"] = _figure(tolerance)
    entry = file(request, machine, "series", key, content)
    return there(entry, f"/series/{key}", "/series")


@router.get("/series/{key}")
@needs("viewer")
def one_series_page(request: Request, key: str) -> Response:
    """One series: chart, question, newest values, a form for a new one."""
    parts = parts_of(request)
    series = _series(parts, key)
    visits = [v for v in parts.shelf.read().book.visits.of(series.machine) if v.state != "signed"]
    chart = series.chart()
    rows = [
        (value, bool(chart.out[i]), bool(chart.drift[i])) for i, value in enumerate(series.values)
    ]
    waiting = series.open_steps()
    return shown(request, "one_series.html", series=series, svg=series_chart(series),
                 rows=rows[-LAST:][::-1], waiting=waiting[-1] if waiting else None,
                 phase=chart.phases[-1] if chart.phases else None, visits=visits,
                 units=UNITS if series.unit == "um" else (series.unit,))  # fmt: skip


@router.post("/series/{key}")
@needs("operator")
def act_on_series(
    request: Request,
    key: str,
    do: Annotated[Literal["measured", "expected"], Form()],
    value: Figure = "",
    unit: Annotated[str, Form(max_length=20)] = "",
    when: Annotated[Literal["", "before", "after"], Form()] = "",
    visit: Annotated[str, Form(max_length=64)] = "",
    yes: Annotated[Literal["", "yes", "no"], Form()] = "",
    text: Text = "",
) -> Response:
    """Write down a value, or answer whether the newest step was expected."""
    series = _series(parts_of(request), key)
    if do == "measured":
        content: dict[str, str | float | bool] = {
            "value": _figure(value), "unit": unit, "when": when, "visit": visit, "text": text,
        }  # fmt: skip
    else:
        if not yes:
            raise HTTPException(400, "Say yes or no.")
        content = {"yes": yes == "yes", "text": text}
    entry = file(request, series.machine, do, key, content)
    return back_to(f"/series/{key}", entry.id if entry else "later")


def _series(parts: Parts, key: str) -> Series:
    series = parts.shelf.read().book.series.known.get(key)
    if series is None:
        raise HTTPException(404, "There is no such series.")
    return series


def _figure(text: str) -> float:
    """A number as people write it; 400 in words for anything else."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise HTTPException(400, f"{text!r} is no number; write it as 4.5.") from None

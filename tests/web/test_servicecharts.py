"""Control charts and overlaid strokes: what is drawn, and the same in words."""

from condmon.engine.servicebook.series import Series, Value
from condmon.web.servicecharts import overlay, series_chart

STEADY = (3.1, 2.8, 3.4, 3.0, 2.9, 3.3, 3.1, 2.7, 3.2, 3.0)


def series(*values: float, **more: object) -> Series:
    made = Series("k", "mill-1", "Runout <nose>", **more)  # type: ignore[arg-type]
    made.values = [Value(i, value, "kim") for i, value in enumerate(values)]
    return made


def test_series_without_values_has_no_picture():
    assert "" == series_chart(series())


def test_picture_says_last_value_and_what_is_beyond_in_words_and_escapes_the_title():
    svg = series_chart(series(*STEADY, 9.4, tolerance=5.0))
    assert "Runout &lt;nose&gt;: 11 values, last 9.4 um (3.7 tenths), 1 beyond the limits" in svg
    assert (1, 10) == (svg.count('class="dot out"'), svg.count("<circle"))
    assert 2 == svg.count('class="trip"')  # both ends of the tolerance


def test_four_values_are_drawn_without_limits():
    svg = series_chart(series(*STEADY[:4]))
    assert "none beyond the limits" in svg
    assert (4, 0) == (svg.count("<circle"), svg.count('class="limit"'))


def test_each_phase_has_its_own_limits():
    one = series(*STEADY, *(v + 6 for v in STEADY))
    one.begins = [10]
    svg = series_chart(one)
    assert (4, 2, 2) == (
        svg.count('class="limit"'), svg.count('class="setpoint"'), svg.count('class="ewma"'),
    )  # fmt: skip
    assert 0 == svg.count('class="dot out"')


def test_only_the_newest_sixty_values_are_drawn():
    svg = series_chart(series(*(STEADY * 10)))
    assert 60 == svg.count("<circle")
    assert "100 values" in svg


def test_strokes_lie_over_each_other_as_far_as_they_are_known():
    svg = overlay("stroke of y", "%", {"baseline": [18, 24, 18], "before": [], "now": [18, 23, 18]})
    assert "stroke of y over its way: baseline 18 to 24 %; now 18 to 23 %" in svg
    assert (1, 0, 1) == tuple(
        svg.count(f'class="stroke-{kind}"') for kind in ("baseline", "before", "now")
    )
    assert "" == overlay("stroke of y", "%", {"baseline": [], "before": [], "now": []})

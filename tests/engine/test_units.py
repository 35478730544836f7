"""Units: words of devices, conversion, and the codes themselves."""

import pytest

from condmon.engine.units import UNITS, convert, find, same


@pytest.mark.parametrize(
    ("word", "code"),
    [
        ("C", "Cel"),
        ("degC", "Cel"),
        ("\u00b0C", "Cel"),
        ("\u00ba C", "Cel"),
        ("deg c", "Cel"),
        ("Cel", "Cel"),
        ("F", "[degF]"),
        ("bar", "bar"),
        ("BAR", "bar"),
        ("l/min", "L/min"),
        ("rpm", "/min"),
        ("1/min", "/min"),
        ("\u00b5m", "um"),
        ("m\u00b3/h", "m3/h"),
        ("g", "[g]"),
        ("%", "%"),
    ],
)
def test_words_of_devices_mean_the_code(word, code):
    assert same(word, code)


@pytest.mark.parametrize(
    ("word", "code"), [("bar", "Cel"), ("F", "Cel"), ("", "1"), ("mbar", "bar"), ("furlong", "m")]
)
def test_other_words_do_not_mean_the_code(word, code):
    assert not same(word, code)


def test_words_that_differ_only_in_case_are_kept_apart():
    assert ("ms", "mL", None) == (find("ms"), find("ml"), find("MS/"))
    assert "MPa" == find("MPa")


@pytest.mark.parametrize(
    ("value", "given", "wanted", "expected"),
    [
        (70.7, "[degF]", "Cel", 21.5),  # CASES P02 line 8
        (-40.0, "[degF]", "Cel", -40.0),  # where both scales meet
        (294.65, "K", "Cel", 21.5),
        (1.0, "bar", "kPa", 100.0),  # UCUM: bar = 1e5 Pa
        (1.0, "[in_i]", "mm", 25.4),  # UCUM: inch = 2.54 cm
        (1.0, "[mil_i]", "um", 25.4),
        (1.0, "[HP]", "W", 745.69987),  # UCUM: 550 foot pounds a second
        (60.0, "/min", "Hz", 1.0),
        (6.0, "m3/h", "L/min", 100.0),
        (80.0, "%", "1", 0.8),
        (1.0, "[psi]", "bar", 0.0689475729),
    ],
)
def test_conversion_within_a_quantity(value, given, wanted, expected):
    assert pytest.approx(expected, rel=1e-7) == convert(value, given, wanted)


def test_quantities_do_not_mix_and_unknown_codes_are_refused():
    assert convert(1.0, "bar", "Cel") is None
    assert convert(1.0, "bar", "no such code") is None
    assert convert(1.0, "no such code", "bar") is None


def test_a_value_in_its_own_unit_is_untouched():
    assert 0.1 + 0.2 == convert(0.1 + 0.2, "Cel", "Cel")
    assert 0.1 + 0.2 == convert(0.1 + 0.2, "l/min", "L/min")


def test_every_code_finds_itself_and_converts_back():
    for code, unit in UNITS.items():
        assert code == find(code, code)
        base = next(c for c, u in UNITS.items() if u.quantity == unit.quantity)
        there = convert(7.25, code, base)
        assert there is not None
        assert pytest.approx(7.25) == convert(there, base, code)

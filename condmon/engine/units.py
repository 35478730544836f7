"""Units: the UCUM codes we know, the words devices write for them, and conversion. Pure.

Codes and conversion figures follow UCUM (ucum-essence.xml 2.2 of 2024-06-17); its codes are case
sensitive. What a device writes behind a number ("C", "degC", "rpm") is freer: those words are
common practice, no source.
"""

from typing import NamedTuple


class Unit(NamedTuple):
    """A unit of `quantity`: base unit = value * `factor` + `offset`."""

    quantity: str
    factor: float
    offset: float = 0.0


_INCH_M = 0.0254
_POUND_FORCE_N = 4.4482216152605
_PSI_PA = 6894.757293168361  # pound-force per square inch
_FAHRENHEIT_ZERO_K = 459.67 * 5 / 9

UNITS: dict[str, Unit] = {
    "1": Unit("number", 1.0),
    "%": Unit("number", 0.01),
    "[ppth]": Unit("number", 1e-3),
    "[ppm]": Unit("number", 1e-6),
    "{pulse}": Unit("number", 1.0),
    "{part}": Unit("number", 1.0),
    "{cycle}": Unit("number", 1.0),
    "{rev}": Unit("number", 1.0),
    "K": Unit("temperature", 1.0),
    "Cel": Unit("temperature", 1.0, 273.15),
    "[degF]": Unit("temperature", 5 / 9, _FAHRENHEIT_ZERO_K),
    "Pa": Unit("pressure", 1.0),
    "hPa": Unit("pressure", 1e2),
    "mbar": Unit("pressure", 1e2),
    "kPa": Unit("pressure", 1e3),
    "bar": Unit("pressure", 1e5),
    "MPa": Unit("pressure", 1e6),
    "atm": Unit("pressure", 101325.0),
    "[psi]": Unit("pressure", _PSI_PA),
    "[in_i'H2O]": Unit("pressure", 249.08891),
    "m3/s": Unit("flow", 1.0),
    "m3/min": Unit("flow", 1 / 60),
    "m3/h": Unit("flow", 1 / 3600),
    "L/s": Unit("flow", 1e-3),
    "L/min": Unit("flow", 1e-3 / 60),
    "l/min": Unit("flow", 1e-3 / 60),
    "L/h": Unit("flow", 1e-3 / 3600),
    "l/h": Unit("flow", 1e-3 / 3600),
    "mL/min": Unit("flow", 1e-6 / 60),
    "[cft_i]/min": Unit("flow", (12 * _INCH_M) ** 3 / 60),
    "m3": Unit("volume", 1.0),
    "L": Unit("volume", 1e-3),
    "l": Unit("volume", 1e-3),
    "mL": Unit("volume", 1e-6),
    "m": Unit("length", 1.0),
    "cm": Unit("length", 1e-2),
    "mm": Unit("length", 1e-3),
    "um": Unit("length", 1e-6),
    "nm": Unit("length", 1e-9),
    "[in_i]": Unit("length", _INCH_M),
    "[ft_i]": Unit("length", 12 * _INCH_M),
    "[mil_i]": Unit("length", _INCH_M / 1000),
    "m/s": Unit("speed", 1.0),
    "mm/s": Unit("speed", 1e-3),
    "m/min": Unit("speed", 1 / 60),
    "mm/min": Unit("speed", 1e-3 / 60),
    "[in_i]/s": Unit("speed", _INCH_M),
    "[in_i]/min": Unit("speed", _INCH_M / 60),
    "m/s2": Unit("acceleration", 1.0),
    "mm/s2": Unit("acceleration", 1e-3),
    "[g]": Unit("acceleration", 9.80665),
    "Hz": Unit("frequency", 1.0),
    "kHz": Unit("frequency", 1e3),
    "/s": Unit("frequency", 1.0),
    "/min": Unit("frequency", 1 / 60),
    "1/min": Unit("frequency", 1 / 60),
    "{rev}/min": Unit("frequency", 1 / 60),
    "/h": Unit("frequency", 1 / 3600),
    "A": Unit("current", 1.0),
    "mA": Unit("current", 1e-3),
    "V": Unit("voltage", 1.0),
    "mV": Unit("voltage", 1e-3),
    "kV": Unit("voltage", 1e3),
    "Ohm": Unit("resistance", 1.0),
    "W": Unit("power", 1.0),
    "kW": Unit("power", 1e3),
    "[HP]": Unit("power", 550 * 12 * _INCH_M * _POUND_FORCE_N),
    "J": Unit("energy", 1.0),
    "kJ": Unit("energy", 1e3),
    "MJ": Unit("energy", 1e6),
    "W.h": Unit("energy", 3.6e3),
    "kW.h": Unit("energy", 3.6e6),
    "N": Unit("force", 1.0),
    "kN": Unit("force", 1e3),
    "[lbf_av]": Unit("force", _POUND_FORCE_N),
    "N.m": Unit("torque", 1.0),
    "g": Unit("mass", 1e-3),
    "kg": Unit("mass", 1.0),
    "rad": Unit("angle", 1.0),
    "deg": Unit("angle", 0.017453292519943295),
    "'": Unit("angle", 0.017453292519943295 / 60),
    "''": Unit("angle", 0.017453292519943295 / 3600),
    "us": Unit("time", 1e-6),
    "ms": Unit("time", 1e-3),
    "s": Unit("time", 1.0),
    "min": Unit("time", 60.0),
    "h": Unit("time", 3600.0),
    "d": Unit("time", 86400.0),
    "mm2/s": Unit("kinematic viscosity", 1e-6),
    "cSt": Unit("kinematic viscosity", 1e-6),
    "[pH]": Unit("acidity", 1.0),
    "dB": Unit("level", 1.0),
    "B": Unit("level", 10.0),
}
"""UCUM code -> unit. `convert` works between codes of one quantity."""

_WORDS: dict[str, tuple[str, ...]] = {
    "%": ("percent", "pct"),
    "[ppm]": ("ppm",),
    "{pulse}": ("pulse", "pulses"),
    "{part}": ("part", "parts"),
    "{rev}": ("rev",),
    "Cel": ("C", "degC", "\u00b0C", "\u2103", "celsius"),
    "[degF]": ("F", "degF", "\u00b0F", "\u2109", "fahrenheit"),
    "K": ("kelvin", "\u212a"),
    "[psi]": ("psi",),
    "[in_i'H2O]": ("inH2O",),
    "L/min": ("lpm",),
    "[cft_i]/min": ("cfm",),
    "m3/h": ("m^3/h", "m3h"),
    "L": ("liter", "litre", "liters", "litres"),
    "[in_i]": ("in", "inch", '"'),
    "[ft_i]": ("ft",),
    "[mil_i]": ("mil", "thou"),
    "[in_i]/s": ("in/s", "ips"),
    "[in_i]/min": ("in/min", "ipm"),
    "m/s2": ("m/s^2",),
    "mm/s2": ("mm/s^2",),
    "/min": ("rpm", "r/min", "rev/min", "min-1", "min^-1"),
    "/s": ("1/s", "s-1"),
    "/h": ("1/h",),
    "Ohm": ("\u03a9",),
    "[HP]": ("hp",),
    "W.h": ("Wh",),
    "kW.h": ("kWh",),
    "[lbf_av]": ("lbf",),
    "N.m": ("Nm", "N*m"),
    "deg": ("\u00b0", "degree", "degrees"),
    "s": ("sec", "second", "seconds"),
    "min": ("minute", "minutes"),
    "h": ("hr", "hour", "hours"),
    "[pH]": ("pH",),
    "mm2/s": ("mm^2/s",),
}

# letters that look or mean the same: micro signs, ordinal for degree, raised figures, middle dot
_SAME_LETTERS = str.maketrans(
    {"\u00b5": "u", "\u03bc": "u", "\u00ba": "\u00b0", "\u00b2": "2", "\u00b3": "3", "\u00b7": "."}
)


def _plain(text: str) -> str:
    return "".join(text.split()).translate(_SAME_LETTERS)


def _table() -> tuple[dict[str, str], dict[str, str]]:
    exact = {code: code for code in UNITS}
    for code, words in _WORDS.items():
        for word in words:
            exact.setdefault(_plain(word), code)
    folded: dict[str, str] = {}
    for word, code in exact.items():
        known = folded.setdefault(word.casefold(), code)
        if UNITS.get(known) != UNITS[code]:
            folded[word.casefold()] = ""  # "ms" and "MS" must not meet: two units, no answer
    return exact, {word: code for word, code in folded.items() if code}


_EXACT, _FOLDED = _table()


def find(text: str, near: str = "1") -> str | None:
    """UCUM code of the unit a device wrote; None when the word is not known or not clear.

    Blanks do not count; upper and lower case only where they part two units ("ms", "MS"). `near`
    is the code that is expected: "g" beside an acceleration is not the gram.
    """
    word = _plain(text)
    if word == "g" and near in UNITS and UNITS[near].quantity == "acceleration":
        return "[g]"
    return _EXACT.get(word) or _FOLDED.get(word.casefold())


def same(text: str, code: str) -> bool:
    """Whether the unit word `text` of a payload means the unit of UCUM code `code`."""
    found = find(text, code)
    return found is not None and (found == code or UNITS[found] == UNITS.get(code))


def convert(value: float, from_code: str, to_code: str) -> float | None:
    """`value` in another unit of the same quantity; None when the two do not go together."""
    if from_code == to_code:
        return value
    given, wanted = UNITS.get(from_code), UNITS.get(to_code)
    if given is None or wanted is None or given.quantity != wanted.quantity:
        return None
    if given == wanted:
        return value
    return (value * given.factor + (given.offset - wanted.offset)) / wanted.factor

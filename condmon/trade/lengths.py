"""Lengths as a precision shop says them: micrometres, thou, tenths. Pure.

One tenth is 0.0001 in, which is 2.54 um exactly; one thou is ten of them.
"""

TENTH_UM = 2.54

_UM = {
    "um": 1.0,
    "µm": 1.0,  # micro sign
    "μm": 1.0,  # Greek letter
    "micron": 1.0,
    "microns": 1.0,
    "mm": 1000.0,
    "tenth": TENTH_UM,
    "tenths": TENTH_UM,
    "thou": 10 * TENTH_UM,
    "mil": 10 * TENTH_UM,
    "in": 10_000 * TENTH_UM,
    "inch": 10_000 * TENTH_UM,
    '"': 10_000 * TENTH_UM,
}


def length_um(value: float, word: str) -> float | None:
    """A length in micrometres; None where the word is no length a shop uses."""
    factor = _UM.get(word.strip().casefold())
    return None if factor is None else value * factor


def tenths(um: float) -> float:
    """Micrometres in tenths of a thousandth of an inch."""
    return um / TENTH_UM


def said_um(um: float) -> str:
    """A length in both: "18 um (7.1 tenths)"."""
    um = um + 0.0  # no "-0"
    return f"{um:.3g} um ({tenths(um):.2g} tenths)"

"""Three-valued columns: false, unknown, true. Pure numpy.

Unknown is a value of its own: a condition that needs a stale or missing signal is neither true nor
false. With FALSE < UNKNOWN < TRUE, Kleene's strong logic is minimum, maximum and a subtraction.
"""

import numpy as np
from numpy.typing import NDArray

Truth = NDArray[np.int8]
"""Shape (n,): one of FALSE, UNKNOWN, TRUE a tick."""

Column = NDArray[np.float64]
"""Shape (n,): one number a tick, NaN where it is unknown."""

FALSE, UNKNOWN, TRUE = 0, 1, 2


def truth(condition: NDArray[np.bool_], known: NDArray[np.bool_]) -> Truth:
    """TRUE or FALSE where `known`, UNKNOWN elsewhere."""
    return np.where(known, np.where(condition, TRUE, FALSE), UNKNOWN).astype(np.int8)


def from_state(column: Column) -> Truth:
    """A state signal's 1.0, 0.0 and NaN as TRUE, FALSE and UNKNOWN."""
    return truth(column > 0.5, ~np.isnan(column))


def constant(n: int, value: int) -> Truth:
    """A column of one value."""
    return np.full(n, value, np.int8)


def both(left: Truth, right: Truth) -> Truth:
    """Kleene's and."""
    return np.minimum(left, right)


def either(left: Truth, right: Truth) -> Truth:
    """Kleene's or."""
    return np.maximum(left, right)


def negate(column: Truth) -> Truth:
    """Kleene's not."""
    return (TRUE - column).astype(np.int8)

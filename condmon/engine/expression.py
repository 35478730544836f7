"""The shop's own conditions: a small, safe subset of Python's expression grammar on columns.

Names of signals, numbers, and/or/not, comparisons, + - * /, `duty == "turning"`, and the functions
in FUNCTIONS. Nothing else can be reached: the text is parsed, walked, and refused at the first node
that is not on the list. Unknown values spread by Kleene's rules.
"""

import ast
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.logic import Column, Truth
from condmon.engine.words import nearest, parse_duration

TEXT_MAX = 1000
NODES_MAX = 200


class ExpressionError(ValueError):
    """What is wrong with an expression, and from which column (counted from 1) of its text."""

    def __init__(self, message: str, column: int = 1) -> None:
        super().__init__(message)
        self.column = column


class Pair(NamedTuple):
    """A condition twice: as written, and eased by the deadband (which an alert must leave)."""

    on: Truth
    stay: Truth


NumberOf = Callable[[Block], Column]
TruthOf = Callable[[Block], Pair]

FUNCTIONS = {
    "mean": 'mean(x, "5 min"): mean over the window',
    "lowest": 'lowest(x, "5 min"): lowest value in the window',
    "highest": 'highest(x, "5 min"): highest value in the window',
    "slope": 'slope(x, "10 min"): straight-line slope over the window, in units a minute',
    "increase": 'increase(counter, "1 h"): how far a counter has moved on in the window',
    "age": "age(x): seconds since the last usable value",
    "abs": "abs(x): without its sign",
    "held": 'held(condition, "30 s"): the condition has been true for that long',
    "count_rises": 'count_rises(condition, "1 h"): how often it has become true in the window',
}
_COMPARE = {
    ast.Gt: np.greater,
    ast.GtE: np.greater_equal,
    ast.Lt: np.less,
    ast.LtE: np.less_equal,
    ast.Eq: np.equal,
    ast.NotEq: np.not_equal,
}
_ARITHMETIC = {ast.Add: np.add, ast.Sub: np.subtract, ast.Mult: np.multiply, ast.Div: np.divide}


class Condition:
    """A compiled condition with its own carried state.

    Parameters
    ----------
    text : str
        The expression, for example ``air_flow > 5 and not door_closed``.
    signals : Mapping[str, str]
        Name and kind of every signal of the machine.
    duties : tuple[str, ...]
        Names that `duty` can be compared with.
    deadband : float
        How far a value must come back over a limit before `stay` turns false, in its own unit.

    Raises
    ------
    ExpressionError
        If the text is not in the subset, names an unknown signal, or mixes numbers and conditions.
    """

    def __init__(
        self,
        text: str,
        signals: Mapping[str, str],
        duties: tuple[str, ...] = (),
        deadband: float = 0.0,
    ) -> None:
        self._signals, self._duties, self._deadband = signals, duties, deadband
        self._windows: list[rolling.Window] = []
        self._runs: list[list[int]] = []
        self.names: list[str] = []
        self._evaluate = self._truth(_parse(text), 1.0)

    def push(self, block: Block) -> Pair:
        """Both columns, shape (n,), for the ticks of a block."""
        return self._evaluate(block)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"windows": [w.tail for w in self._windows], "runs": [list(r) for r in self._runs]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        for window, tail in zip(self._windows, state["windows"], strict=True):
            window.load({"tail": tail})
        for run, saved in zip(self._runs, state["runs"], strict=True):
            run[:] = saved

    # conditions

    def _truth(self, node: ast.expr, ease: float) -> TruthOf:
        """Compile a condition; `ease` is the sign of the deadband, turned round under `not`."""
        match node:
            case ast.BoolOp(op=op, values=values):
                join = logic.both if isinstance(op, ast.And) else logic.either
                parts = [self._truth(value, ease) for value in values]
                return lambda block: _fold(join, [part(block) for part in parts])
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                inner = self._truth(operand, -ease)
                return lambda block: Pair(*map(logic.negate, inner(block)))
            case ast.Compare(left=left, ops=[op], comparators=[right]):
                return self._compare(left, op, right, ease)
            case ast.Compare(left=left, ops=ops, comparators=[*rest]):
                pairs = list(zip([left, *rest[:-1]], ops, rest, strict=True))
                parts = [self._compare(a, op, b, ease) for a, op, b in pairs]
                return lambda block: _fold(logic.both, [part(block) for part in parts])
            case ast.Name(id=name):
                return self._state(name, node)
            case ast.Constant(value=bool() as value):
                fixed = logic.TRUE if value else logic.FALSE
                return lambda block: _same(logic.constant(block.n, fixed))
            case ast.Call(func=ast.Name(id="held"), args=[inner_node, span], keywords=[]):
                return self._held(self._truth(inner_node, ease), _seconds(span))
        raise _refused(node, "a condition (a state, a comparison, and/or/not)")

    def _state(self, name: str, node: ast.expr) -> TruthOf:
        if self._kind(name, node) not in {"state", "moment"}:
            raise ExpressionError(
                f"{name} is a number here; compare it with something, for example {name} > 5",
                node.col_offset + 1,
            )
        return lambda block: _same(logic.from_state(block.value_of(name)))

    def _compare(self, left: ast.expr, op: ast.cmpop, right: ast.expr, ease: float) -> TruthOf:
        if type(op) not in _COMPARE:
            raise ExpressionError("only > >= < <= == != can compare", left.col_offset + 1)
        if isinstance(left, ast.Name) and left.id == "duty":
            return self._duty(op, right)
        one, two, compare = self._number(left), self._number(right), _COMPARE[type(op)]
        shift = self._deadband * ease
        if isinstance(op, ast.Lt | ast.LtE):
            shift = -shift
        if isinstance(op, ast.Eq | ast.NotEq):
            shift = 0.0

        def evaluate(block: Block) -> Pair:
            a, b = one(block), two(block)
            known = np.broadcast_to(~(np.isnan(a) | np.isnan(b)), (block.n,))
            on = logic.truth(np.broadcast_to(compare(a, b), (block.n,)), known)
            if not shift:
                return Pair(on, on)
            return Pair(on, logic.truth(np.broadcast_to(compare(a + shift, b), (block.n,)), known))

        return evaluate

    def _duty(self, op: ast.cmpop, right: ast.expr) -> TruthOf:
        if not (
            isinstance(op, ast.Eq | ast.NotEq)
            and isinstance(right, ast.Constant)
            and isinstance(right.value, str)
        ):
            raise ExpressionError(
                'compare duty with a word, for example duty == "off"', right.col_offset + 1
            )
        if right.value not in self._duties:
            near = nearest(right.value, self._duties)
            raise ExpressionError(
                f'"{right.value}" is no duty of this machine{near}', right.col_offset + 1
            )
        code, same = self._duties.index(right.value), isinstance(op, ast.Eq)
        return lambda block: _same(logic.truth((block.duty == code) == same, block.duty >= 0))

    def _held(self, inner: TruthOf, seconds: int) -> TruthOf:
        carried = [0, 0]
        self._runs.append(carried)

        def evaluate(block: Block) -> Pair:
            if block.blind_s:
                carried[:] = [0, 0]
            out = []
            for i, column in enumerate(inner(block)):
                length, carried[i] = rolling.runs(column, carried[i])
                out.append(logic.truth(length > seconds, column != logic.UNKNOWN))
            return Pair(*out)

        return evaluate

    # numbers

    def _number(self, node: ast.expr) -> NumberOf:
        match node:
            case ast.Constant(value=int() | float() as value) if not isinstance(value, bool):
                number = float(value)
                return lambda _block: np.float64(number)  # type: ignore[return-value]
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                inner = self._number(operand)
                return lambda block: -inner(block)
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _ARITHMETIC:
                return self._arithmetic(left, op, right)
            case ast.Name(id=name):
                if self._kind(name, node) in {"state", "moment", "trace"}:
                    raise ExpressionError(f"{name} is a state, not a number", node.col_offset + 1)
                return lambda block: block.value_of(name)
            case ast.Call(func=ast.Name(id=name), args=args, keywords=[]):
                return self._call(name, args, node)
        raise _refused(node, "a number (a signal, a figure, + - * / or a function)")

    def _arithmetic(self, left: ast.expr, op: ast.operator, right: ast.expr) -> NumberOf:
        one, two, work = self._number(left), self._number(right), _ARITHMETIC[type(op)]

        def evaluate(block: Block) -> Column:
            with np.errstate(all="ignore"):
                out = work(one(block), two(block))
            return np.where(np.isfinite(out), out, np.nan)

        return evaluate

    def _call(self, name: str, args: list[ast.expr], node: ast.Call) -> NumberOf:
        match name, args:
            case "abs", [inner]:
                of = self._number(inner)
                return lambda block: np.abs(of(block))
            case "age", [ast.Name(id=signal)]:
                self._kind(signal, args[0])
                return lambda block: block.age_of(signal)
            case "count_rises", [inner, span]:
                return self._count_rises(self._truth(inner, 1.0), self._window(span))
            case "increase", [ast.Name(id=signal), span]:
                if self._kind(signal, args[0]) != "counter":
                    raise ExpressionError(f"{signal} is no counter", args[0].col_offset + 1)
                return self._rolled(lambda block: block.increase_of(signal), "increase", span)
            case (("mean" | "lowest" | "highest" | "slope"), [inner, span]):
                return self._rolled(self._number(inner), name, span)
        if name in FUNCTIONS:
            raise ExpressionError(f"write it as {FUNCTIONS[name]}", node.col_offset + 1)
        raise ExpressionError(
            f"there is no function {name}{nearest(name, FUNCTIONS)}", node.col_offset + 1
        )

    def _rolled(self, of: NumberOf, name: str, span: ast.expr) -> NumberOf:
        window = self._window(span)

        def evaluate(block: Block) -> Column:
            column = np.broadcast_to(of(block), (block.n,))
            whole = window.extend(column, block.blind_s)
            match name:
                case "mean":
                    return rolling.mean(whole, window.seconds)
                case "slope":
                    return rolling.slope_per_min(whole, window.seconds)
                case "increase":
                    return rolling.count(whole, window.seconds)
            return rolling.extreme(whole, window.seconds, highest=name == "highest")

        return evaluate

    def _count_rises(self, inner: TruthOf, window: rolling.Window) -> NumberOf:
        carried = [logic.UNKNOWN]
        self._runs.append(carried)

        def evaluate(block: Block) -> Column:
            on = inner(block).on
            before = np.concatenate([np.array(carried, np.int8), on[:-1]])
            carried[0] = int(on[-1])
            rises = ((on == logic.TRUE) & (before == logic.FALSE)).astype(np.float64)
            return rolling.count(window.extend(rises, block.blind_s), window.seconds)

        return evaluate

    def _window(self, span: ast.expr) -> rolling.Window:
        seconds = _seconds(span)
        if seconds > rolling.WINDOW_MAX_S:
            raise ExpressionError("a window is at most 1 h", span.col_offset + 1)
        self._windows.append(rolling.Window(seconds))
        return self._windows[-1]

    def _kind(self, name: str, node: ast.expr) -> str:
        if name not in self._signals:
            near = nearest(name, [*self._signals, *FUNCTIONS])
            raise ExpressionError(f"this machine has no signal {name}{near}", node.col_offset + 1)
        if name not in self.names:
            self.names.append(name)
        return self._signals[name]


def check_expression(
    text: str, signals: Mapping[str, str], duties: tuple[str, ...] = ("off", "turning", "idle")
) -> list[str]:
    """What is wrong with a condition, in words; empty when it can be used."""
    try:
        Condition(text, signals, duties)
    except ExpressionError as error:
        return [f"{error} (column {error.column})"]
    return []


def _parse(text: str) -> ast.expr:
    if len(text) > TEXT_MAX:
        raise ExpressionError(f"a condition is at most {TEXT_MAX} characters long")
    try:
        tree = ast.parse(text.strip(), mode="eval")
    except (SyntaxError, ValueError, MemoryError, RecursionError) as error:
        column = getattr(error, "offset", None) or 1
        raise ExpressionError(
            "this is not a condition condmon can read; "
            "write it like: air_flow > 5 and not door_closed",
            column,
        ) from error
    if sum(1 for _ in ast.walk(tree)) > NODES_MAX:
        raise ExpressionError(f"a condition has at most {NODES_MAX} parts")
    return tree.body


def _seconds(node: ast.expr) -> int:
    seconds = None
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        seconds = parse_duration(node.value)
    if seconds is None or seconds < 1:
        raise ExpressionError(
            'give the time as text with its unit, for example "5 min"', node.col_offset + 1
        )
    return round(seconds)


def _refused(node: ast.expr, wanted: str) -> ExpressionError:
    return ExpressionError(f"here must stand {wanted}", getattr(node, "col_offset", 0) + 1)


def _same(column: Truth) -> Pair:
    return Pair(column, column)


def _fold(join: Callable[[Truth, Truth], Truth], pairs: list[Pair]) -> Pair:
    on, stay = pairs[0]
    for pair in pairs[1:]:
        on, stay = join(on, pair.on), join(stay, pair.stay)
    return Pair(on, stay)

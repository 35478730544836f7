"""One value out of what a device wrote: strict numbers with units, and words of states. Pure.

A reader serves one signal. It takes raw bytes or a decoded JSON value and answers with a `Value`,
whatever it is given: what cannot be read is a value with a reason and never a guess.
"""

import re
from math import isfinite, nan

from condmon.engine.records import BAD, GOOD, NODATA, REASONS
from condmon.engine.settings import Signal
from condmon.engine.units import convert, find

Value = tuple[float, int, int]
"""(value, quality, index into REASONS)."""


def refused(reason: str, quality: int = BAD) -> Value:
    """Make the value of a payload that gives none."""
    return (nan, quality, REASONS.index(reason))


NOT_FINITE = refused("not finite")
NOT_A_NUMBER = refused("not a number")
COMMA = refused("decimal comma not switched on")
OTHER_UNIT = refused("unit of another quantity")
UNKNOWN_WORD = refused("unknown word")
EMPTY = refused("empty", NODATA)
NO_VALUE = refused("says it has no value", NODATA)
NOTHING_THERE = refused("nothing at that place in the payload")
TOO_LARGE = refused("payload too large")
UNREADABLE = refused("not readable text")
NO_TIMES = refused("array without times")
AMBIGUOUS = refused("ambiguous number")
CALLED_BAD = refused("its source calls it bad")
NOT_TO_BE_STORED = refused("its source wants it not to be kept")
WRONG_LENGTH = refused("length does not fit its binary form")
IMPLAUSIBLE = refused("outside the plausible range")
DOUBTED = REASONS.index("its source doubts it")

NO_VALUE_WORDS = frozenset({"unavailable", "null", "none", "n/a"})

# the grammar of a number is our own, because float() also takes "1_000", "nan" and foreign digits
# (the doubled plus never gives digits back: a long wrong payload costs no more than its length)
_FIGURE = r"[+-]?(?:[0-9]++(?:\.[0-9]*+)?|\.[0-9]++)(?:[eE][+-]?[0-9]++)?"
_PLAIN_BYTES = re.compile(rb"[ \t\r\n]*" + _FIGURE.encode() + rb"[ \t\r\n]*")
_NUMBER = re.compile(rf"({_FIGURE})(?:\s*([^\s0-9.,+-].*))?", re.DOTALL)
_COMMA = re.compile(r"([+-]?)([0-9]+),([0-9]+)(?:\s*([^\s0-9.,+-].*))?", re.DOTALL)
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}(?![0-9])")
_SEVERAL = re.compile(r"[+-]?[0-9]+[.,][0-9.,]*[.,][0-9]*")
_NOT_FINITE = re.compile(r"[+-]?(?:nan(?:\(\w*\))?|inf(?:inity)?|1\.#(?:qnan|snan|inf|ind)[0-9]*)")
_BLANKS = " \t\r\n\f\v\u00a0\u2009\u202f\ufeff"
_LONGEST = 400  # letters of a number with its unit; a longer one is no reading


def text_of(payload: bytes) -> str | None:
    """Take the text of a payload without byte order mark, end NULs and blanks; None if it is none.

    Devices that write Latin-1 ("21.5\u00b0C" in one byte) are understood where UTF-8 fails. A NUL
    may end the text, but nothing can follow it.
    """
    body = payload.removeprefix(b"\xef\xbb\xbf").rstrip(b"\0")
    if b"\0" in body or (payload and not body and b"\0" in payload):
        return None
    try:
        return body.decode().strip(_BLANKS)
    except UnicodeDecodeError:
        return body.decode("latin-1").strip(_BLANKS)


class NumberReader:
    """Reads numbers of one signal, with or without a unit behind them."""

    def __init__(self, signal: Signal) -> None:
        self._unit = signal.unit
        self._comma = signal.payload.decimal_comma
        self._scale = signal.payload.scale
        self._sent_unit = signal.payload.sent_unit
        self.as_sent = self._scale == 1.0 and self._sent_unit in {None, self._unit}

    def of_bytes(self, payload: bytes) -> Value:
        """Read a payload of plain text."""
        if not self._comma and _PLAIN_BYTES.fullmatch(payload):
            number = float(payload)
            if not self.as_sent:
                return self._in_unit(number, None)
            return (number, GOOD, 0) if isfinite(number) else NOT_FINITE
        text = text_of(payload)
        if text is None:
            return UNREADABLE
        value = self.of_text(text)
        if value[1] == BAD and not _is_utf8(payload):
            return UNREADABLE
        return value

    def of_text(self, text: str) -> Value:
        """Read a text without blanks around it."""
        if not text:
            return EMPTY
        if len(text) > _LONGEST:
            return NOT_FINITE if text.isdecimal() else NOT_A_NUMBER
        if "," in text:
            return self._with_comma(text)
        if self._comma and _GROUPED.match(text):
            return AMBIGUOUS  # "1.234": a point that may part thousands
        word = text.casefold()
        if _NOT_FINITE.fullmatch(word):
            return NOT_FINITE
        found = _NUMBER.fullmatch(text)
        if found is not None:
            return self._in_unit(float(found[1]), found[2])
        if word in NO_VALUE_WORDS:
            return NO_VALUE
        return AMBIGUOUS if _SEVERAL.match(text) else NOT_A_NUMBER

    def of_json(self, given: object, unit: object = None) -> Value:
        """Read a decoded JSON value with the unit written beside it, if any."""
        if isinstance(given, bool):
            return NOT_A_NUMBER
        if isinstance(given, int | float):
            try:
                number = float(given)
            except OverflowError:
                return NOT_FINITE
            if not isinstance(unit, str) or find(unit, self._unit) is None:
                if self.as_sent and isfinite(number):
                    return (number, GOOD, 0)
                return self._in_unit(number, None)
            return self._in_unit(number, unit)
        if isinstance(given, str):
            return self.of_text(given.strip(_BLANKS))
        return NO_VALUE if given is None else NOTHING_THERE

    def _with_comma(self, text: str) -> Value:
        found = _COMMA.fullmatch(text)
        if found is None:
            return AMBIGUOUS if _SEVERAL.match(text) else NOT_A_NUMBER
        if _GROUPED.match(text):
            return AMBIGUOUS  # "1,000": one, or a thousand
        if not self._comma:
            return COMMA
        return self._in_unit(float(f"{found[1]}{found[2]}.{found[3]}"), found[4])

    def _in_unit(self, number: float, unit: str | None) -> Value:
        number *= self._scale
        if not isfinite(number):
            return NOT_FINITE
        code = self._sent_unit if unit is None else find(unit, self._unit)
        if code is None and unit is None:
            return (number, GOOD, 0)
        if code is None:
            return NOT_A_NUMBER
        converted = convert(number, code, self._unit)
        if converted is None:
            return OTHER_UNIT
        return (converted, GOOD, 0) if isfinite(converted) else NOT_FINITE


class WordReader:
    """Reads a state: the signal's own words, and 1, 0, true and false unless those mean otherwise.

    Case and blanks do not count. An unknown word is bad: it is not "off".
    """

    def __init__(self, signal: Signal) -> None:
        on, off = (1.0, GOOD, 0), (0.0, GOOD, 0)
        self._words: dict[str, Value] = {"1": on, "true": on, "0": off, "false": off}
        self._words.update({_plain(word): on for word in signal.words_on})
        self._words.update({_plain(word): off for word in signal.words_off})
        self._bytes = {word.encode(): value for word, value in self._words.items()}
        self._bytes |= {word.upper().encode(): value for word, value in self._words.items()}

    def of_bytes(self, payload: bytes) -> Value:
        """Read a payload of plain text."""
        value = self._bytes.get(payload)
        if value is not None:
            return value
        text = text_of(payload)
        return UNREADABLE if text is None else self.of_text(text)

    def of_text(self, text: str) -> Value:
        """Read a text."""
        word = _plain(text)
        value = self._words.get(word)
        if value is not None:
            return value
        if not word:
            return EMPTY
        if word in NO_VALUE_WORDS:
            return NO_VALUE
        if len(word) <= _LONGEST and re.fullmatch(_FIGURE, word) and float(word) in {0.0, 1.0}:
            return self._words[f"{float(word):.0f}".lstrip("-")]
        return UNKNOWN_WORD

    def of_json(self, given: object, unit: object = None) -> Value:
        """Read a decoded JSON value."""
        if isinstance(given, bool):
            return self._words["true" if given else "false"]
        if isinstance(given, int | float):
            return self._words["1" if given else "0"] if given in {0, 1} else UNKNOWN_WORD
        if isinstance(given, str):
            return self.of_text(given)
        return NO_VALUE if given is None else NOTHING_THERE


class MomentReader:
    """Reads "something happened": a word counts as such unless it is a word for off.

    With words configured only those count; a number keeps its value.
    """

    def __init__(self, signal: Signal) -> None:
        self._words = WordReader(signal)
        self._number = NumberReader(signal)
        self._listed = bool(signal.words_on)

    def of_bytes(self, payload: bytes) -> Value:
        """Read a payload of plain text."""
        text = text_of(payload)
        return UNREADABLE if text is None else self.of_text(text)

    def of_text(self, text: str) -> Value:
        """Read a text: its number, or 1 for a word."""
        value = self._words.of_text(text)
        if value is not UNKNOWN_WORD:
            return value
        number = self._number.of_text(text.strip(_BLANKS))
        if number[1] == GOOD or number is NOT_FINITE:
            return number
        return UNKNOWN_WORD if self._listed else (1.0, GOOD, 0)

    def of_json(self, given: object, unit: object = None) -> Value:
        """Read a decoded JSON value."""
        if isinstance(given, bool):
            return self._words.of_json(given)
        return self.of_text(given) if isinstance(given, str) else self._number.of_json(given, unit)


def reader(signal: Signal) -> NumberReader | WordReader | MomentReader:
    """Make the reader for a signal's kind."""
    if signal.kind == "state":
        return WordReader(signal)
    return MomentReader(signal) if signal.kind == "moment" else NumberReader(signal)


def _plain(text: str) -> str:
    return "".join(text.split()).strip(_BLANKS).casefold()


def _is_utf8(payload: bytes) -> bool:
    try:
        payload.decode()
    except UnicodeDecodeError:
        return False
    return True

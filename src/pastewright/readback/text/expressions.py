"""Numbers of RS274/NGC: a plain number, a parameter `#5`, an expression `[1+2]`, a function `SIN[30]`.

Source: NISTIR 6556 (2000), sections 3.3.2.1 to 3.3.2.4. Text arrives without blanks and in lower case.
"""

import math
import re
from collections.abc import Callable, Mapping

NUMBER_PATTERN = (
    r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)"  # one way to match, so that bad lines cost no more than good ones
)
NUMBER = re.compile(NUMBER_PATTERN, re.ASCII)


class LineError(Exception):
    """A line that a controller would refuse; `unknown` when it is a word that it does not know."""

    def __init__(self, what: str, *, unknown: bool = False) -> None:
        super().__init__(what)
        self.what = what
        self.unknown = unknown


def _nearest_whole(value: float) -> float:
    return float(math.floor(value + 0.5))


# Angles are degrees. FIX rounds towards minus infinity, FUP towards plus infinity (section 3.3.2.4).
FUNCTIONS: Mapping[str, Callable[[float], float]] = {
    "abs": abs,
    "acos": lambda x: math.degrees(math.acos(x)),
    "asin": lambda x: math.degrees(math.asin(x)),
    "cos": lambda x: math.cos(math.radians(x)),
    "exp": math.exp,
    "fix": lambda x: float(math.floor(x)),
    "fup": lambda x: float(math.ceil(x)),
    "ln": math.log,
    "round": _nearest_whole,
    "sin": lambda x: math.sin(math.radians(x)),
    "sqrt": math.sqrt,
    "tan": lambda x: math.tan(math.radians(x)),
}

# Powers first; then times, divide and modulo; then the rest (section 3.3.2.3). Equals go from left to right.
STRENGTH = {"**": 3, "*": 2, "/": 2, "mod": 2, "+": 1, "-": 1, "or": 1, "xor": 1, "and": 1}
_NAME = re.compile(r"[a-z]+")
OPERATOR = re.compile(r"\*\*|\*|/|mod|\+|-|or|xor|and")
DEEPEST = 20  # nobody nests brackets so deep; keeps a mad file from exhausting the stack


class ExpressionReader:
    """Reads values one after another from `text`; `at` is where the next one starts."""

    def __init__(self, text: str, parameters: Mapping[int, float], at: int = 0) -> None:
        self.text = text
        self.parameters = parameters
        self.at = at
        self.unset: list[int] = []
        self._depth = 0

    def value(self) -> float:
        """Return the real value that starts here, and step over it."""
        text, at = self.text, self.at
        match = NUMBER.match(text, at)
        if match:
            self.at = match.end()
            return float(match.group())
        if at >= len(text):
            raise LineError("a number is missing at the end of the line")
        if text[at] == "[":
            return self._bracket()
        if text[at] == "#":
            return self._parameter()
        name = _NAME.match(text, at)
        if name and name.group() in FUNCTIONS:
            self.at = name.end()
            return _apply(name.group(), self._bracket())
        if name and name.group() == "atan":
            self.at = name.end()
            return self._atan()
        if (text[at] in "+-" and text[at + 1 : at + 2].isalpha()) or text[at : at + 2] in {
            "-[",
            "-#",
            "+[",
            "+#",
        }:
            self.at += 1
            return -self.value() if text[at] == "-" else self.value()
        raise LineError(f"no number at {text[at : at + 12]!r}")

    def _bracket(self) -> float:
        if not self.text.startswith("[", self.at):
            raise LineError(f"'[' is missing at {self.text[self.at : self.at + 12]!r}")
        self._depth += 1
        if self._depth > DEEPEST:
            raise LineError(f"brackets are nested more than {DEEPEST} deep")
        self.at += 1
        values = [self.value()]
        waiting: list[str] = []
        while not self.text.startswith("]", self.at):
            match = OPERATOR.match(self.text, self.at)
            if not match:
                raise LineError(f"']' or an operation is missing at {self.text[self.at : self.at + 12]!r}")
            operation = match.group()
            while waiting and STRENGTH[waiting[-1]] >= STRENGTH[operation]:
                _combine(values, waiting.pop())
            waiting.append(operation)
            self.at = match.end()
            values.append(self.value())
        while waiting:
            _combine(values, waiting.pop())
        self.at += 1
        self._depth -= 1
        return values[0]

    def _parameter(self) -> float:
        self._depth += 1
        if self._depth > DEEPEST:
            raise LineError(f"parameters are nested more than {DEEPEST} deep")
        self.at += 1
        if self.text.startswith("<", self.at):
            raise LineError("named parameters are not read here", unknown=True)
        index = parameter_index(self.value())
        self._depth -= 1
        if index not in self.parameters:
            self.unset.append(index)
        return self.parameters.get(index, 0.0)

    def _atan(self) -> float:
        upper = self._bracket()
        if not self.text.startswith("/", self.at):
            raise LineError("ATAN needs two values: ATAN[y]/[x]")
        self.at += 1
        return math.degrees(math.atan2(upper, self._bracket()))


def parameter_index(value: float) -> int:
    """Return the number of a parameter; they run from 1 to 5399 (section 3.2.1)."""
    index = round(value)
    if abs(value - index) > 1e-4 or not 1 <= index <= 5399:
        raise LineError(f"there is no parameter #{value:g}; they run from 1 to 5399")
    return index


def _apply(name: str, x: float) -> float:
    try:
        return FUNCTIONS[name](x)
    except (ValueError, OverflowError):
        raise LineError(f"{name.upper()}[{x:g}] has no value") from None


def _combine(values: list[float], operation: str) -> None:
    right = values.pop()
    left = values.pop()
    try:
        result = _binary(left, operation, right)
    except (ValueError, OverflowError, ZeroDivisionError):
        raise LineError(f"{left:g} {operation.upper()} {right:g} has no value") from None
    if isinstance(result, complex) or not math.isfinite(result):
        raise LineError(f"{left:g} {operation.upper()} {right:g} has no value")
    values.append(float(result))


def _binary(left: float, operation: str, right: float) -> float | complex:
    match operation:
        case "**":
            return complex(left**right) if left < 0 and not right.is_integer() else left**right
        case "*":
            return left * right
        case "/":
            return left / right
        case "mod":
            return left - abs(right) * math.floor(left / abs(right))
        case "+":
            return left + right
        case "-":
            return left - right
        case "or":
            return float(left != 0 or right != 0)
        case "xor":
            return float((left != 0) != (right != 0))
        case _:
            return float(left != 0 and right != 0)

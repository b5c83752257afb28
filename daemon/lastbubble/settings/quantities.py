"""Types of settings values: quantities with units, names, pins, paths, addresses.

Each knows what it takes, how a person writes one, and how to say both. A refusal is a `PydanticCustomError` of type
"lastbubble" whose context carries `allowed` and `mend`; `messages.py` makes the line of it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from lastbubble.units import UNITS, Kind, parse

__all__ = ["Count", "Number", "Quantity", "Text", "display_unit", "emit", "from_si", "refuse"]


def refuse(allowed: str, mend: str) -> PydanticCustomError:
    """The error that says what is allowed and the mend."""
    return PydanticCustomError("lastbubble", "{allowed}; {mend}", {"allowed": allowed, "mend": mend})


def from_si(value: float, kind: Kind, unit: str) -> float:
    """An SI value in one of the kind's units (all of them are affine, so two points give the inverse)."""
    convert = UNITS[kind][unit]
    offset = convert(0.0)
    return (value - offset) / (convert(1.0) - offset)


def _short(value: float) -> str:
    return f"{value:.6g}"


def display_unit(text: str, kind: Kind) -> str:
    """The unit of `text` if it is a plain unit of the kind, else ""."""
    found = re.search(r"[^\d\s.+-].*$", text.strip())
    unit = found[0] if found else ""
    return unit if unit in UNITS[kind] else ""


def emit(value: float, kind: Kind, unit: str) -> str:
    """An SI value as a person would write it; `parse` gives it back within rounding of the last digits.

    >>> emit(1800.0, "duration", "min")
    '30 min'
    """
    number = from_si(value, kind, unit)
    rounded = float(f"{number:.9g}")
    if math.isclose(UNITS[kind][unit](rounded), value, rel_tol=1e-13, abs_tol=1e-13 * abs(UNITS[kind][unit](0.0))):
        number = rounded
    return f"{_plain(number)} {unit}"


def _plain(number: float) -> str:
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit, read into SI.

    kind : of units.UNITS;  low, high : allowed, both included                                            [SI]
    unit : the one in which ranges and defaults are told
    words : words that may stand instead of a number, with their SI value
    """

    kind: Kind
    low: float
    high: float
    unit: str
    words: Mapping[str, float] | None = None

    def allowed(self, also: str = "") -> str:
        """`40 degC to 150 degC (104 degF to 302 degF)`: in the own unit, and in `also` where that is another."""
        out = self._range(self.unit)
        if also and also != self.unit:
            out += f" ({self._range(also)})"
        return out + "".join(f" or {word}" for word in self.words or ())

    def _range(self, unit: str) -> str:
        low, high = (_short(from_si(bound, self.kind, unit)) for bound in (self.low, self.high))
        return f"{low} {unit} to {high} {unit}"

    def read(self, value: object) -> float:
        """The SI value. Raises PydanticCustomError that says what is allowed and how to write it."""
        units = ", ".join(UNITS[self.kind])
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise refuse(self.allowed(), f'write a number with its unit, such as "{self._like()}"')
        if isinstance(value, str) and self.words and value in self.words:
            return self.words[value]
        if not isinstance(value, str):
            raise refuse(self.allowed(), f"a number needs its unit: write {self._meant(value)} (units: {units})")
        try:
            number = parse(value, self.kind)
        except (ValueError, OverflowError):
            raise refuse(
                self.allowed(), f'write a number with its unit, such as "{self._like()}" (units: {units})'
            ) from None
        # A bound written in another unit may land beside it by a rounding.
        inside = min(max(number, self.low), self.high)
        if not math.isclose(number, inside, rel_tol=1e-12, abs_tol=1e-12 * abs(UNITS[self.kind][self.unit](0.0))):
            raise refuse(self.allowed(display_unit(value, self.kind)), "write a value inside")
        return inside

    def _meant(self, value: float) -> str:
        """What a bare number may have meant: it with each unit that makes it allowed, the usual ones first."""
        usual = (self.unit, *(unit for unit in UNITS[self.kind] if unit != self.unit))
        fit = [unit for unit in usual if self.low <= UNITS[self.kind][unit](float(value)) <= self.high]
        return " or ".join(f'"{value} {unit}"' for unit in fit[:3]) or f'such as "{self._like()}"'

    def _like(self) -> str:
        middle = (self.low * self.high) ** 0.5 if self.low > 0 else (self.low + self.high) / 2
        return f"{_plain(float(f'{from_si(middle, self.kind, self.unit):.2g}'))} {self.unit}"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        del source, handler
        return core_schema.no_info_plain_validator_function(
            self.read,
            serialization=core_schema.plain_serializer_function_ser_schema(self._emit, when_used="json"),
        )

    def _emit(self, value: float) -> str:
        for word, number in (self.words or {}).items():
            if number == value:
                return word
        return emit(value, self.kind, self.unit)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        del schema, handler
        number = {
            "type": "string",
            # Any unit: the synonyms that `parse` takes are many, and a schema must not refuse what the check takes.
            "pattern": r"^\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*[^\d\s.+-]\S*( \S+)*\s*$",
            "description": f"{self.kind.replace('_', ' ')} with its unit ({', '.join(UNITS[self.kind])}); "
            f"allowed {self.allowed()}",
            "examples": [self._like()],
        }
        out: JsonSchemaValue = number
        if self.words:
            out = {"anyOf": [number, {"enum": list(self.words)}], "description": number["description"]}
        # Taken out again by the schema generator, which needs it to tell defaults as a person writes them.
        return out | {"x-unit": [self.kind, self.unit]}


class _Judged:
    """A value judged by `read`; JSON schema from `schema`."""

    __slots__ = ()

    def read(self, value: object) -> Any:
        raise NotImplementedError

    def schema(self) -> JsonSchemaValue:
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        del source, handler
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        del schema, handler
        return self.schema()


@dataclass(frozen=True, slots=True)
class Number(_Judged):
    """A plain number without a unit (a factor, a ratio), both bounds included; never NaN, and 0 only with `zero`."""

    low: float
    high: float
    mend: str = "write a number inside"
    zero: bool = True

    def allowed(self) -> str:
        return f"{_short(self.low)} to {_short(self.high)}{'' if self.zero else ', not 0'}"

    def read(self, value: object) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not self.low <= value <= self.high
            or (value == 0 and not self.zero)
        ):
            raise refuse(f"a number without unit, {self.allowed()}", _unquoted(value) or self.mend)
        return float(value)

    def schema(self) -> JsonSchemaValue:
        out: JsonSchemaValue = {"type": "number", "minimum": self.low, "maximum": self.high}
        return out if self.zero else out | {"not": {"const": 0}}


def _unquoted(value: object) -> str:
    """The mend for a number in quotes, "" for anything else."""
    if isinstance(value, str) and re.fullmatch(r"[-+]?\d+(?:\.\d+)?", value, re.ASCII):
        return f"write it without quotes: {value}"
    return ""


def _run_text(first: int, last: int) -> str:
    if last - first < 2:
        return str(first) if first == last else f"{first}, {last}"
    return f"{first} to {last}"


@dataclass(frozen=True, slots=True)
class Count(_Judged):
    """A whole number, both bounds included: one of `only` where that is given, none of `never`."""

    low: int
    high: int
    mend: str = "write a whole number inside"
    only: tuple[int, ...] = ()
    never: tuple[int, ...] = ()

    def allowed(self) -> str:
        """`2 to 8, 12 to 27`"""
        if self.only:
            return ", ".join(map(str, self.only))
        if not self.never:
            return f"{self.low} to {self.high}"
        runs: list[list[int]] = []
        for number in range(self.low, self.high + 1):
            if number in self.never:
                continue
            if runs and runs[-1][-1] == number - 1:
                runs[-1][1:] = [number]
            else:
                runs.append([number])
        return ", ".join(_run_text(run[0], run[-1]) for run in runs)

    def read(self, value: object) -> int:
        if (
            isinstance(value, bool)
            or not isinstance(value, int)
            or not self.low <= value <= self.high
            or (self.only and value not in self.only)
            or value in self.never
        ):
            raise refuse(f"a whole number, {self.allowed()}", _unquoted(value) or self.mend)
        return value

    def schema(self) -> JsonSchemaValue:
        if self.only:
            return {"type": "integer", "enum": list(self.only)}
        out: JsonSchemaValue = {"type": "integer", "minimum": self.low, "maximum": self.high}
        if self.never:
            out["not"] = {"enum": list(self.never)}
        return out


@dataclass(frozen=True, slots=True)
class Text(_Judged):
    """A text that matches `pattern` whole; `allowed` says in words what that means.

    check : a further judge that raises ValueError with what is allowed
    """

    pattern: str
    allowed: str
    mend: str
    longest: int = 200
    check: Callable[[str], object] | None = None

    def read(self, value: object) -> str:
        if (
            not isinstance(value, str)
            or not value.isprintable()
            or len(value) > self.longest
            or re.fullmatch(self.pattern, value) is None
        ):
            mend = self.mend
            if isinstance(value, int | float) and not isinstance(value, bool):
                mend = f"put quotes round it if it is meant so; {mend}"
            raise refuse(self.allowed, mend)
        if self.check is not None:
            try:
                self.check(value)
            except ValueError as exc:
                raise refuse(self.allowed, f"{self.mend} ({exc})") from None
        return value

    def schema(self) -> JsonSchemaValue:
        return {"type": "string", "pattern": f"^(?:{self.pattern})$", "maxLength": self.longest}


#: Shorthands that many models share.
StationName = Annotated[
    str,
    Text(
        r"[a-z0-9](?:[a-z0-9-]{0,46}[a-z0-9])?",
        "a to z, 0 to 9 and dashes inside, up to 48 characters",
        "it becomes part of topics and file names: write such as shed-bench",
    ),
]
#: GPIO numbers; 9 to 11 are the thermocouples' bus, 0 and 1 belong to add-on boards.
Pin = Annotated[
    int,
    Count(2, 27, "write the GPIO (BCM) number, not the place on the connector; 9 to 11 are the bus", never=(9, 10, 11)),
]
#: Those whose lines no other transfer may touch.
OwnPin = Annotated[
    int,
    Count(
        2,
        27,
        "take another free pin: the kernel toggles 7 and 8 in every transfer, so a converter there answers for others",
        never=(7, 8, 9, 10, 11),
    ),
]
AbsolutePath = Annotated[
    str, Text(r"/[^\0]*", "an absolute path, beginning with /", "write the whole path", longest=4000)
]
#: Sockets are made in it, and a socket's path has 107 bytes at most.
SocketFolder = Annotated[
    str,
    Text(
        r"/[^\0]*",
        "an absolute path of up to 90 characters",
        "sockets are made there, and their paths are short",
        longest=90,
    ),
]
SerialPort = Annotated[
    str,
    Text(
        r"/dev/[^\0]+|/[^\0]+",
        "a device path, beginning with /",
        "take the stable name below /dev/serial/by-id/ or one of your udev rule; ttyUSB0 changes when it is replugged",
        longest=4000,
    ),
]

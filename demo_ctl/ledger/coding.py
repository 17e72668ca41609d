"""Frozen types to and from plain JSON values, by their own type hints. Pure; no I/O.

Dataclasses, message tuples and frozen models become objects with their fields' names; tuples become lists, an
Enum its value, a Fraction text such as "1/4". Reading back checks every value against the hint of its field, so
that a record edited by hand, or damaged, gives a ValueError with the path of the field and never a half-right plan.
"""

from __future__ import annotations

import dataclasses
import math
import re
import types
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel

T = TypeVar("T")

#: No whole number that we write is larger (instants have 64 bits); Python would work on with any number of digits.
_WHOLE_MOST = 1 << 64
#: As `encode` writes them. An exponent would be a short text for a number that fills the memory.
_FRACTION = re.compile(r"-?[0-9]{1,18}(?:/[0-9]{1,18})?")


def encode(value: object) -> Any:
    """Return `value` as plain JSON values; TypeError for a type no record holds."""
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return value
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    kind: type[Any] = type(value)
    names = _field_names(kind)
    if names is not None:
        return {name: encode(getattr(value, name)) for name in names}
    if isinstance(value, (tuple, list)):
        return [encode(item) for item in value]
    raise TypeError(f"a record cannot hold a {type(value).__name__}")


def decode(kind: type[T], data: object, path: str = "") -> T:
    """Return `data` as a `kind`; ValueError says which field is wrong and what was expected."""
    found: T = _decode(kind, data, path)
    return found


def _field_names(kind: type[Any]) -> tuple[str, ...] | None:
    if dataclasses.is_dataclass(kind):
        return tuple(field.name for field in dataclasses.fields(kind))
    if issubclass(kind, BaseModel):
        return tuple(kind.model_fields)
    if issubclass(kind, tuple) and hasattr(kind, "_fields"):
        return tuple(kind._fields)
    return None


@lru_cache(maxsize=256)
def _hints(kind: type) -> dict[str, Any]:
    hints = get_type_hints(kind)
    # Message tuples must run in MicroPython and carry no hints: all their fields are whole numbers.
    return {name: hints.get(name, int) for name in _field_names(kind) or ()}


def _decode(kind: Any, data: object, path: str) -> Any:
    if kind in (str, bool):
        return _plain(kind, data, path)
    if kind is int:
        return _plain(int, data, path)
    if kind is float:
        number = _plain((int, float), data, path)
        if not math.isfinite(number):
            raise ValueError(f"{path}: expected a finite number")
        return float(number)
    if kind is Fraction:
        return _fraction(data, path)
    if kind is type(None):
        if data is not None:
            raise ValueError(f"{path}: expected nothing, found {_short(data)}")
        return None
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _either(get_args(kind), data, path)
    if origin is tuple:
        return _items(get_args(kind), data, path)
    if isinstance(kind, type) and issubclass(kind, Enum):
        try:
            return kind(data)
        except ValueError:
            raise ValueError(f"{path}: {_short(data)} is not one of its known values") from None
    if isinstance(kind, type) and _field_names(kind) is not None:
        return _object(kind, data, path)
    raise TypeError(f"a record cannot hold a {kind!r}")


def _plain(kind: Any, data: object, path: str) -> Any:
    wanted = kind if isinstance(kind, tuple) else (kind,)
    if not isinstance(data, wanted) or (isinstance(data, bool) and bool not in wanted):
        word = {str: "text", bool: "true or false", int: "a whole number"}.get(wanted[0], "a number")
        raise ValueError(f"{path}: expected {'a number' if len(wanted) > 1 else word}, found {_short(data)}")
    if isinstance(data, int) and not -_WHOLE_MOST < data < _WHOLE_MOST:
        raise ValueError(f"{path}: expected a number of sensible size")
    return data


def _fraction(data: object, path: str) -> Fraction:
    if isinstance(data, str) and _FRACTION.fullmatch(data):
        try:
            return Fraction(data)
        except (ValueError, ZeroDivisionError):
            pass
    raise ValueError(f"{path}: expected a fraction such as '1/4', found {_short(data)}")


def _either(kinds: tuple[Any, ...], data: object, path: str) -> Any:
    if data is None and type(None) in kinds:
        return None
    some = [kind for kind in kinds if kind is not type(None)]
    for kind in some[:-1]:
        try:
            return _decode(kind, data, path)
        except ValueError:
            continue
    return _decode(some[-1], data, path)


def _items(kinds: tuple[Any, ...], data: object, path: str) -> tuple[Any, ...]:
    if not isinstance(data, list):
        raise ValueError(f"{path}: expected a list, found {_short(data)}")
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        return tuple(_decode(kinds[0], item, f"{path}[{index}]") for index, item in enumerate(data))
    if len(kinds) != len(data):
        raise ValueError(f"{path}: expected {len(kinds)} items, found {len(data)}")
    return tuple(
        _decode(kind, item, f"{path}[{index}]") for index, (kind, item) in enumerate(zip(kinds, data, strict=True))
    )


def _object(kind: type, data: object, path: str) -> Any:
    if not isinstance(data, dict):
        raise ValueError(f"{path or kind.__name__}: expected an object, found {_short(data)}")
    hints = _hints(kind)
    # A field that is missing may have been added to the program later: its default stands.
    lacking = sorted(set(hints) - set(data) - _with_default(kind))
    if lacking:
        raise ValueError(f"{path or kind.__name__}: '{lacking[0]}' is missing")
    fields = {
        name: _decode(hint, data[name], f"{path}.{name}" if path else name)
        for name, hint in hints.items()
        if name in data
    }
    if issubclass(kind, BaseModel):
        return kind.model_construct(**fields)
    try:
        return kind(**fields)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{path or kind.__name__}: {error}") from None


@lru_cache(maxsize=256)
def _with_default(kind: type) -> frozenset[str]:
    if dataclasses.is_dataclass(kind):
        missing = dataclasses.MISSING
        return frozenset(
            field.name
            for field in dataclasses.fields(kind)
            if field.default is not missing or field.default_factory is not missing
        )
    if issubclass(kind, BaseModel):
        return frozenset(name for name, field in kind.model_fields.items() if not field.is_required())
    return frozenset()


def _short(data: object) -> str:
    text = repr(data)
    return text if len(text) <= 60 else text[:57] + "..."

"""Fields of result objects: unit, symbol and meaning kept in one place, arrays kept unchanged."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Mapping, Set as AbstractSet
from enum import Enum
from pathlib import PurePath
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Array = np.ndarray
"""Numbers of a batch, or along a curve; its shape is in the words of the field."""


class FieldDoc(NamedTuple):
    """What one field of a result means."""

    name: str
    unit: str
    symbol: str
    doc: str


def evenly(count: int, most: int) -> Array:
    """Places of at most so many of `count` rows, evenly spaced, the first and the last among them.

    Examples
    --------
    >>> evenly(5, 3).tolist(), evenly(2, 10).tolist()
    ([0, 2, 4], [0, 1])
    """
    return np.linspace(0, count - 1, min(most, count)).astype(int)


SUFFIX = re.compile(r"_(?:rms_v|pp_v|rms|v|a|w|s|ohms|hz|f|db|deg|share)$")
HOW = ("label", "format", "share", "tiny")
"""How a field is printed: its heading, a format, whether it is a share (in per cent), and whether a short
answer shows it below 1 mV, 1 µA, 1 mW."""


def quantity(unit: str = "", symbol: str = "", doc: str = "", **options: Any) -> Any:
    """A dataclass field that knows its unit, symbol and meaning, and how a table prints it.

    Parameters
    ----------
    unit, symbol, doc : base unit, symbol of its equations, meaning.
    options : how it is printed (label, format, share, tiny); the rest goes to `dataclasses.field` (default,
        default_factory, kw_only …).

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True, eq=False)
    ... class Bias:
    ...     plate_a: float = quantity("A", "Ip", "plate current at rest")
    >>> fields_of(Bias)
    (FieldDoc(name='plate_a', unit='A', symbol='Ip', doc='plate current at rest'),)
    """
    how = {key: options.pop(key) for key in HOW if key in options}
    return dataclasses.field(metadata={"unit": unit, "symbol": symbol, "doc": doc, **how}, **options)


class _Described(property):
    metadata: Mapping[str, Any]


def described(unit: str = "", **how: Any) -> Callable[[Callable[[Any], Any]], Any]:
    """A property of a result that knows its unit and how a table prints it: `quantity` for a field."""

    def made(getter: Callable[[Any], Any]) -> _Described:
        result = _Described(getter)
        result.metadata = {"unit": unit, "doc": getter.__doc__ or "", **how}
        return result

    return made


def printed_as(kind: type, name: str) -> dict[str, Any]:
    """Unit, label and the rest of a field or property of a class; the label comes from the name else.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass
    ... class Rail:
    ...     ripple_pp_v: float = quantity("V", "v", "ripple, peak to peak")
    >>> printed_as(Rail, "ripple_pp_v")["label"]
    'ripple'
    """
    fields = {field.name: field.metadata for field in dataclasses.fields(kind)}
    result = dict(fields.get(name) or getattr(getattr(kind, name, None), "metadata", {}))
    return {"unit": "", "label": SUFFIX.sub("", name).replace("_", " "), **result}


def fields_of(result: Any) -> tuple[FieldDoc, ...]:
    """Name, unit, symbol and meaning of every field made with `quantity`, of a result or its class."""
    return tuple(
        FieldDoc(field.name, *(field.metadata[key] for key in ("unit", "symbol", "doc")))
        for field in dataclasses.fields(result)
        if "doc" in field.metadata
    )


def frozen_array(values: Any, dtype: npt.DTypeLike | None = None) -> npt.NDArray[Any]:
    """A read-only copy as an array; whoever holds the original cannot change it.

    Raises
    ------
    TypeError : values that only fit an array of objects (ragged lists among them).

    Examples
    --------
    >>> frozen_array([1.0, 2.0]).flags.writeable
    False
    """
    try:
        array = np.array(values, dtype=dtype, copy=True)
    except ValueError as error:
        raise TypeError(f"not a plain array: {error}") from None
    if array.dtype == object:
        raise TypeError(f"not a plain array of numbers or text: {values!r:.80}")
    array.setflags(write=False)
    return array


def to_json_value(obj: Any) -> Any:
    """The object in terms JSON has: dicts, lists, text, numbers in SI units, null.

    Answers say themselves what their JSON holds; other dataclasses become dicts of their public fields,
    arrays lists, complex numbers {"real", "imag"}; NaN and infinity become null.

    Raises
    ------
    TypeError : something with no such form.

    Examples
    --------
    >>> to_json_value({"volts": np.array([335.0, np.nan]), "gain": 3 + 4j})
    {'volts': [335.0, None], 'gain': {'real': 3.0, 'imag': 4.0}}
    """
    if obj is None or isinstance(obj, (bool, str)):
        return obj
    if isinstance(obj, (Enum, np.generic, PurePath, np.ndarray)):
        return to_json_value(_plain(obj))
    if isinstance(obj, (int, float, complex)):
        return _json_number(obj)
    return _json_group(obj)


def _plain(obj: Enum | np.generic | PurePath | npt.NDArray[Any]) -> Any:
    if isinstance(obj, Enum):
        return obj.value
    if isinstance(obj, PurePath):
        return obj.as_posix()
    return obj.tolist()


def _json_number(number: Any) -> Any:
    if isinstance(number, complex):
        return {"real": _json_number(number.real), "imag": _json_number(number.imag)}
    return number if isinstance(number, int) or math.isfinite(number) else None


def _json_group(obj: Any) -> Any:
    if hasattr(obj, "to_json") and not isinstance(obj, type):
        return obj.to_json()
    if dataclasses.is_dataclass(obj) and not isinstance(obj, type):
        names = [field.name for field in dataclasses.fields(obj) if not field.name.startswith("_")]
        return {name: to_json_value(getattr(obj, name)) for name in names}
    if isinstance(obj, Mapping):
        return {_key(key): to_json_value(value) for key, value in obj.items()}
    if isinstance(obj, (list, tuple)):
        return [to_json_value(item) for item in obj]
    if isinstance(obj, AbstractSet):
        return sorted((to_json_value(item) for item in obj), key=repr)
    raise TypeError(f"{type(obj).__name__} has no JSON form")


def _key(key: Any) -> str:
    """A mapping's key as text; ('V1', 'a') becomes 'V1.a'."""
    return ".".join(map(_key, key)) if isinstance(key, tuple) else str(to_json_value(key))

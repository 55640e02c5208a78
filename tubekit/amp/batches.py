"""Sequences in a change make a batch: reading them, counting them, taking one member out again."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np

from tubekit.amp.fields import Form, Listed, Quantity, as_text, is_sequence
from tubekit.errors import InputError
from tubekit.text import frozen_array

Record = TypeVar("Record")


def read_batched(form: Form, raw: object) -> tuple[Any, int | None]:
    """The value, and how many members it has (None for a single value).

    A list of sections or nodes is one value; the entries of a list of sections may be sequences.

    Raises
    ------
    InputError : without a place.
    """
    if isinstance(raw, np.ndarray) and raw.ndim == 0:
        raw = raw.item()
    if isinstance(form, Listed):
        return _read_listed(form, raw)
    if not is_sequence(raw):
        return form.read(raw), None
    entries: Sequence[Any] = list(raw)  # type: ignore[call-overload]
    if not form.batch:
        raise InputError(
            f"is {as_text(raw)}, but takes only one value", fix="Make one changed amp for each of them"
        )
    if not entries:
        raise InputError("is an empty list", fix="Write one value, or several")
    values = [form.read(one) for one in entries]
    return (frozen_array(values) if isinstance(form, Quantity) else tuple(values)), len(values)


def _read_listed(form: Listed, raw: object) -> tuple[Any, int | None]:
    if not isinstance(form.entry, Quantity):
        return form.read(raw), None
    entries = list(raw) if is_sequence(raw) else [raw]  # type: ignore[call-overload]
    form.read([max(1.0, form.entry.low)] * len(entries))  # how many there may be
    read = [read_batched(form.entry, one) for one in entries]
    counts = {count for _, count in read if count is not None}
    if len(counts) > 1:
        raise InputError("has lists of different lengths", fix="Give every section the same number of values")
    return tuple(value for value, _ in read), next(iter(counts), None)


def member(record: Record, index: int) -> Record:
    """`record` (a part, a winding) with every batched value replaced by that of one member."""
    return dataclasses.replace(
        record,  # type: ignore[type-var]
        **{one.name: _member(getattr(record, one.name), one, index) for one in dataclasses.fields(record)},  # type: ignore[arg-type]
    )


def _member(value: Any, field: dataclasses.Field[Any], index: int) -> Any:
    form = field.metadata.get("form")
    if isinstance(value, np.ndarray):
        return float(value[index])
    if form is None and isinstance(value, tuple):  # windings or sections
        return tuple(member(one, index) for one in value)
    if isinstance(form, Listed) and isinstance(form.entry, Quantity):
        return tuple(float(one[index]) if isinstance(one, np.ndarray) else one for one in value)
    if form is not None and form.batch and isinstance(value, tuple):  # tube types
        return value[index]
    return value

"""From the data of a tube file to its `Tube`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any

from tubekit.devices.pentode import Pentode
from tubekit.devices.published import Residual
from tubekit.devices.rectifier import GasDiode, SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode
from tubekit.devices.tube_record import Ratings, Tube, TubeLaw
from tubekit.devices.tube_spread import NewTubeSpread, spread_of
from tubekit.errors import InputError, TableError
from tubekit.units import parse


def tube_of(type_: str, data: Mapping[str, Any], where: str, systems: tuple[Tube, ...] = ()) -> Tube:
    """The record in the data of a file; `systems` are those of a tube with unlike sections.

    Raises
    ------
    TableError : something is missing in the data, or no such thing can be.
    """
    try:
        return _tube(type_, data, systems)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise TableError(f"is incomplete or damaged: {error}", where=where) from error
    except InputError as error:
        raise error.placed(where=where) from error


def _tube(type_: str, data: Mapping[str, Any], systems: tuple[Tube, ...]) -> Tube:
    main = systems[-1] if systems else None
    law = main.law if main else _law(data["kind"], data["law"])
    left = data.get("left", {})
    return Tube(
        type=type_,
        equivalents=tuple(data.get("equivalents", ())),
        kind=data["kind"],
        title=data["title"],
        base=data["base"],
        sections=data["sections"],
        pins=_frozen({name: _pin(pin) for name, pin in data["pins"].items()}),
        heater_volts=_optional(data.get("heater", {}).get("volts"), "V"),
        heater_amps=_optional(data.get("heater", {}).get("amps"), "A"),
        ratings=main.ratings if main else _ratings(data.get("ratings", {})),
        law=law,
        capacitances=main.capacitances if main else _frozen(_capacitances(data.get("capacitances", {}))),
        known=data["known"],
        directly_heated=data.get("directly_heated"),
        like=data.get("like", ""),
        valid=_frozen({name: tuple(span) for name, span in data.get("valid", {}).items()}),
        fit=tuple(_residual(row) for row in data.get("fitted", {}).get("rows", ())),
        conflicts=tuple(left.get("conflicts", ())),
        usual=tuple(left.get("usual", ())),
        at_bound=tuple(left.get("at_bound", ())),
        leaves=_frozen(left.get("spread_pct", {})),
        assumed=_frozen(data.get("fit", {}).get("assumed", {})),
        notes=data.get("notes", ""),
        spread=spread_of(data["spread"]["limits"], law) if "spread" in data else NewTubeSpread(),
        systems=systems,
    )


def _frozen(mapping: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(dict(mapping))


def _pin(pin: int | str | list[int]) -> int | str | tuple[int, ...]:
    return tuple(pin) if isinstance(pin, list) else pin


def _optional(value: Any, unit: str) -> float | None:
    return None if value is None else parse(value, unit)


def _capacitances(data: Mapping[str, Any]) -> dict[str, float]:
    return {name: parse(value, "F") for name, value in data.items()}


def _ratings(data: Mapping[str, Any]) -> Ratings:
    units = {entry.name: entry.metadata["unit"] for entry in fields(Ratings) if entry.metadata}
    read: dict[str, Any] = {
        name: parse(value, units[name]) if name in units else value for name, value in data.items()
    }
    return Ratings(**read)


def _law(kind: str, data: Mapping[str, Any]) -> TubeLaw:
    if "drop" in data:
        return TubeDiode.from_drop(parse(data["drop"], "V"), parse(data["at"], "A"))
    if "running" in data:
        volts, amps, ohms = (parse(data[k], u) for k, u in (("running", "V"), ("at", "A"), ("ohms", "ohm")))
        return GasDiode.running(volts, amps, ohms)
    if "silicon" in kind:
        return SiliconDiode(**data)
    return Triode(**data) if "triode" in kind else Pentode(**data)


def _residual(row: Mapping[str, Any]) -> Residual:
    kept = {entry.name for entry in fields(Residual)}
    return Residual(**{name: value for name, value in row.items() if name in kept})

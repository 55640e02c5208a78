"""The tube catalogue: one file per type in data/tubes, read into `Tube` records.

Curves are of a mean new tube. Makers allow sections of one bottle to differ by 30 % and more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from types import MappingProxyType
from typing import Any

from tubekit.devices.pentode import Pentode
from tubekit.devices.rectifier import SiliconDiode, TubeDiode
from tubekit.devices.residual import Residual
from tubekit.devices.triode import Triode
from tubekit.devices.tube_files import file_types, tube_data
from tubekit.devices.tube_record import Ratings, Tube, TubeLaw
from tubekit.errors import InputError, TableError, UnknownTube, near_matches
from tubekit.units import parse

__all__ = ["Ratings", "Tube", "capacitances", "silicon", "tube", "tube_types"]


def tube(type_: str) -> Tube:
    """The record of a tube type, by its name or an equivalent's, whatever the case.

    Raises
    ------
    UnknownTube : not in the catalogue; near matches are listed.

    Examples
    --------
    >>> tube("ecc83").type, tube("GZ34").type
    ('12AX7', '5AR4')
    """
    name = _names().get(type_.strip().casefold())
    if name is None:
        raise UnknownTube(
            f"there is no tube '{type_}' in the catalogue",
            fix="See tube_types() for those there are",
            near=near_matches(type_.strip(), _spellings()),
        )
    return _tube(name)


def tube_types() -> tuple[str, ...]:
    """Every type with a record of its own, sorted; equivalents not counted.

    Examples
    --------
    >>> {"12AX7", "6V6GT", "5Y3GT", "silicon"} <= set(tube_types())
    True
    """
    return file_types()


def silicon(type_: str) -> SiliconDiode:
    """The law of a silicon diode.

    Raises
    ------
    UnknownTube : no silicon diode of that type.
    """
    law = tube(type_).law
    if isinstance(law, SiliconDiode):
        return law
    diodes = [name for name in file_types() if isinstance(_tube(name).law, SiliconDiode)]
    raise UnknownTube("is a tube, not a silicon diode", part=type_, fix=f"Diodes are {', '.join(diodes)}")


def capacitances(type_: str) -> Mapping[str, float]:
    """Interelectrode capacitances of a type [F], those of the bare tube without its socket.

    Examples
    --------
    >>> f"{capacitances('12AX7')['grid_plate'] * 1e12:.1f} pF"
    '1.7 pF'
    """
    return tube(type_).capacitances


@cache
def _spellings() -> tuple[str, ...]:
    return tuple(name for type_ in file_types() for name in (type_, *tube_data(type_).get("equivalents", ())))


@cache
def _names() -> Mapping[str, str]:
    """Type by every name it goes by, in small letters; a type's own name wins over an equivalent."""
    names = {
        other.casefold(): type_ for type_ in file_types() for other in tube_data(type_).get("equivalents", ())
    }
    return names | {type_.casefold(): type_ for type_ in file_types()}


@cache
def _tube(type_: str) -> Tube:
    data = tube_data(type_)
    where = f"data/tubes/{type_}.toml"
    try:
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
            ratings=_ratings(data.get("ratings", {})),
            law=_law(data["kind"], data["law"]),
            capacitances=_frozen(_capacitances(data.get("capacitances", {}))),
            known=data["known"],
            directly_heated=data.get("directly_heated"),
            valid=_frozen({name: tuple(span) for name, span in data.get("valid", {}).items()}),
            fit=tuple(_residual(row) for row in data.get("fitted", ())),
            conflicts=tuple(data.get("conflicts", ())),
            assumed=_frozen(data.get("fit", {}).get("assumed", {})),
            notes=data.get("notes", ""),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise TableError(f"is incomplete or damaged: {error}", where=where) from error
    except InputError as error:
        raise error.placed(where=where) from error


def _frozen(mapping: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(dict(mapping))


def _pin(pin: int | list[int]) -> int | tuple[int, ...]:
    return pin if isinstance(pin, int) else tuple(pin)


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
    if "silicon" in kind:
        return SiliconDiode(**data)
    return Triode(**data) if "triode" in kind else Pentode(**data)


def _residual(row: Mapping[str, Any]) -> Residual:
    kept = {entry.name for entry in fields(Residual)}
    return Residual(**{name: value for name, value in row.items() if name in kept})

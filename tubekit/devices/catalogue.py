"""The tube catalogue: one file per type in data/tubes, read into `Tube` records, and tubes of one's own.

Curves are of a mean new tube. Makers allow sections of one bottle to differ by 30 % and more.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from tubekit.devices.published_laws import published_law
from tubekit.devices.rectifier import SiliconDiode
from tubekit.devices.tube_check import check_tube_file
from tubekit.devices.tube_files import completed, file_types, read_toml, system_types, tube_data
from tubekit.devices.tube_reading import tube_of
from tubekit.devices.tube_record import Ratings, Tube
from tubekit.errors import InputError, TableError, UnknownTube, near_matches

__all__ = ["Ratings", "Tube", "add_tube", "silicon", "tube", "tube_types"]

OWN_TUBES = "TUBEKIT_TUBES"
"""Environment variable: directories with tube files of one's own, separated as in PATH."""

HOW_TO_ADD = (
    "Use a type from the catalog (tube_types()), or add this one. Put points that you measured, or read from "
    "the plate curves of its data sheet, into a file with the columns plate_v, grid_v and plate_ma. "
    "Then type python3 -m tubekit fit points.csv --like TYPE --name NAME --save FILE.toml"
)


def tube(type_: str, *, law: str | None = None) -> Tube:
    """The record of a tube type, by its name or an equivalent's, whatever the case.

    Parameters
    ----------
    law : "published", or "published" and a name of `Tube.published`, for a parameter set that
        others printed, to compare with; tubekit's own fitted law where left out.

    Raises
    ------
    UnknownTube : not in the catalogue, or no such law; near matches are listed.

    Examples
    --------
    >>> tube("ecc83").type, tube("GZ34").type
    ('12AX7', '5AR4')
    >>> f"{tube('12AX7', law='published').at(plate=250, grid=-2).plate_a * 1e3:.2f} mA"
    '0.95 mA'
    """
    name = _type_of(type_)
    if name is None:
        damaged = [type_ for type_ in _called() if _unread(type_)]
        raise UnknownTube(
            f"there is no tube '{type_}' in the catalog",
            fix=HOW_TO_ADD + (f"; the files of {', '.join(damaged)} cannot be read" if damaged else ""),
            near=near_matches(type_.strip(), _spellings()),
        )
    result = _own(name) if name in _added() else _tube(name)
    return result if law is None else _otherwise(result, law)


def _otherwise(tube: Tube, law: str) -> Tube:
    """The record with a law that others printed."""
    word, _, name = law.strip().partition(" ")
    if word.casefold() != "published":
        raise UnknownTube(
            f"there is no model '{law}'", part=tube.type, fix='Write law="published", or leave it out'
        )
    printed = published_law(tube.type, name.strip(), tube.equivalents)
    title = f"{tube.title}, law as others printed it"
    return replace(
        tube, law=printed, title=title, fit=(), assumed={}, usual=(), at_bound=(), leaves={}, valid={}
    )


def add_tube(tube: Tube | str | Path, *, replacing: bool = False) -> Tube:
    """Make a tube of one's own known by its type, in amps and everywhere, until Python ends.

    Parameters
    ----------
    tube : a record such as a fit gives, or a tube file that was saved from one. For commands, name
        the directory of such files in the environment variable TUBEKIT_TUBES.
    replacing : let it take the place of one added before under that type.

    Raises
    ------
    InputError : the catalog already has a tube of that name already. TableError : the file is damaged.

    Examples
    --------
    >>> from dataclasses import replace
    >>> shelf = replace(tube("12AX7"), type="Shelf 12AX7 no. 3", equivalents=())
    >>> add_tube(shelf).type, tube("Shelf 12AX7 no. 3").kind
    ('Shelf 12AX7 no. 3', 'triode')
    """
    added = tube if isinstance(tube, Tube) else _from_file(Path(tube))
    for name in (added.type, *added.equivalents):
        known = _type_of(name)
        if known is not None and not (replacing and known in _added() and known == added.type):
            raise InputError(
                "the catalog already has a tube of that name",
                part=name,
                fix="Choose another name" if known not in _added() else "Say replacing=True",
            )
    _added()[added.type] = added
    _types.cache_clear()
    _names.cache_clear()
    _spellings.cache_clear()
    return added


def tube_types() -> tuple[str, ...]:
    """Every type with a record of its own, sorted; equivalents not counted.

    Examples
    --------
    >>> {"12AX7", "6V6GT", "5Y3GT", "silicon"} <= set(tube_types())
    True
    """
    return tuple(sorted((*file_types(), *_added())))


def silicon(type_: str) -> SiliconDiode:
    """The law of a silicon diode.

    Raises
    ------
    UnknownTube : no silicon diode of that type.
    """
    known = _type_of(type_)
    law = tube(type_).law if known else None
    if isinstance(law, SiliconDiode):
        return law
    diodes = silicon_types()
    problem = "is a tube, not a silicon diode" if known else "is not a silicon diode in the catalog"
    fix = f"Diodes are {', '.join(diodes)}"
    raise UnknownTube(problem, part=type_, fix=fix, near=near_matches(type_.strip(), diodes))


def silicon_types() -> list[str]:
    """Silicon diodes of the catalogue, with wire ends.

    Examples
    --------
    >>> silicon_types()
    ['1N4004', '1N4005', '1N4006', '1N4007']
    """
    return [name for name in file_types() if _data(name).get("kind") == "silicon diode"]


def _called() -> dict[str, tuple[str, ...]]:
    """Every name of every type; of a file that cannot be read only the one it is filed under."""
    files = (*file_types(), *system_types())
    names = {type_: (type_, *_others(_data(type_))) for type_ in files}
    for type_, held in _added().items():
        others = held.equivalents if isinstance(held, Tube) else _others(_peeked(held[0]))
        names[type_] = (type_, *others)
    return names


def _others(data: Mapping[str, Any]) -> tuple[str, ...]:
    """The equivalents a file names, as far as they are names; the check says what is wrong with the rest."""
    listed = data.get("equivalents", ())
    return tuple(name for name in listed if isinstance(name, str)) if isinstance(listed, list) else ()


def _data(type_: str) -> Mapping[str, Any]:
    """What the file of a type holds; nothing where it cannot be read, so that the other types go on."""
    try:
        return tube_data(type_)
    except (TableError, UnknownTube):
        return {}


def _unread(type_: str) -> bool:
    held = _added().get(type_)
    return not (_data(type_) if held is None else isinstance(held, Tube) or _peeked(held[0]))


@cache
def _peeked(path: Path) -> Mapping[str, Any]:
    """What a file of one's own holds; nothing where it cannot be read."""
    try:
        return read_toml(path, str(path))
    except TableError:
        return {}


@cache
def _spellings() -> tuple[str, ...]:
    return tuple(name for names in _called().values() for name in names)


def _type_of(name: str) -> str | None:
    """The type that goes by this name; its own wins over an equivalent, and needs no file to be read."""
    small = name.strip().casefold()
    return _types().get(small) or _names().get(small)


@cache
def _types() -> Mapping[str, str]:
    """Type by its own name in small letters."""
    return {type_.casefold(): type_ for type_ in (*file_types(), *system_types(), *_added())}


@cache
def _names() -> Mapping[str, str]:
    """Type by every other name it goes by, in small letters."""
    return {other.casefold(): type_ for type_, names in _called().items() for other in names[1:]}


@cache
def _added() -> dict[str, Tube | tuple[Path, ...]]:
    """Tubes of one's own: to begin with those in the directories of TUBEKIT_TUBES, read when asked for."""
    result: dict[str, Tube | tuple[Path, ...]] = {}
    places = [Path(place) for place in os.environ.get(OWN_TUBES, "").split(os.pathsep) if place]
    for place in places:
        if not place.is_dir():
            raise TableError("is no directory", where=str(place), part=OWN_TUBES, fix="Correct the variable")
        for path in sorted(place.glob("*.toml")):
            type_ = _type_in(_peeked(path), path)
            result[type_] = (*result.get(type_, ()), path)  # type: ignore[misc]  # none is a record yet
    return result


def _type_in(data: Mapping[str, Any], path: Path) -> str:
    named = data.get("type")
    return named if isinstance(named, str) and named else path.stem


def _own(name: str) -> Tube:
    """A tube of one's own, its file read now; a name that is taken is refused rather than guessed."""
    held = _added()[name]
    if isinstance(held, Tube):
        return held
    if len(held) > 1 or name in file_types():
        fix = "Choose another name"
        raise TableError("has the name of another tube", where=str(held[-1]), part=name, fix=fix)
    return _kept(held[0])


def _from_file(path: Path) -> Tube:
    where = str(path)
    data = completed(read_toml(path, where), where)
    return _made(_type_in(data, path), data, where)


_kept = cache(_from_file)


@cache
def _tube(type_: str) -> Tube:
    return _made(type_, tube_data(type_), f"data/tubes/{type_}.toml")


def _made(type_: str, data: Mapping[str, Any], where: str) -> Tube:
    check_tube_file(data, where)
    return tube_of(type_, data, where, tuple(_tube(each) for each in data.get("systems", ())))

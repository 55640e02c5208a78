"""data/tubes/<type>.toml: what is written by hand about a tube, and what the fit wrote below it.

A file with `like = "6V6GT"` takes everything from that file that it does not state itself.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tubekit.errors import TableError, UnknownTube, near_matches
from tubekit.files import data_file

LINE = "# ---- below this line: written by tubekit.devices.fit ----"


@dataclass(frozen=True, eq=False)
class Plan:
    """What a tube's file says about its fit.

    Each tuple holds names in a handbook table: rows of characteristics, of output stages, of
    coupled stages, of a digitized plate chart and of published parameter sets (for the grid current).
    """

    kind: str
    assumed: Mapping[str, float]
    characteristics: tuple[str, ...] = ()
    operation: tuple[str, ...] = ()
    coupled: tuple[str, ...] = ()
    curves: tuple[str, ...] = ()
    grid_sets: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()


def tube_path(type_: str) -> Path:
    """The file of a type, by its exact name.

    Raises
    ------
    UnknownTube : there is none; near matches are listed.
    """
    names = file_types()
    if type_ not in names:
        raise UnknownTube(
            f"there is no tube '{type_}'",
            where="data/tubes",
            fix="See tube_types() for those there are",
            near=near_matches(type_, names),
        )
    return data_file("tubes", f"{type_}.toml")


@cache
def file_types() -> tuple[str, ...]:
    """Types with a file of their own, sorted."""
    return tuple(sorted(path.stem for path in data_file("tubes").glob("*.toml")))


@cache
def tube_data(type_: str) -> Mapping[str, Any]:
    """The file as it stands, completed from the file it is `like`.

    Raises
    ------
    UnknownTube : no such file. TableError : the file is not TOML.
    """
    path = tube_path(type_)
    try:
        own: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TableError(f"cannot be read: {error}", where=f"data/tubes/{path.name}") from error
    if "like" not in own:
        return own
    base = {key: value for key, value in tube_data(own["like"]).items() if key != "equivalents"}
    return base | own


def fit_plan(type_: str) -> Plan:
    """The [fit] table of a tube's own file.

    Raises
    ------
    UnknownTube : no such file. TableError : the file has no plan, or one with an unknown word.
    """
    data = tube_data(type_)
    if "fit" not in data or "like" in data:
        raise TableError(
            "there is nothing to fit",
            where=f"data/tubes/{type_}.toml",
            part="fit",
            fix="Add a [fit] table with the handbook rows to meet",
        )
    given = dict(data["fit"])
    assumed = {name: float(value) for name, value in given.pop("assumed", {}).items()}
    try:
        return Plan(data["kind"], assumed, **{name: tuple(rows) for name, rows in given.items()})
    except TypeError as error:
        raise TableError(str(error), where=f"data/tubes/{type_}.toml", part="fit") from error


def fitted_types() -> tuple[str, ...]:
    """Types whose own file has a plan for a fit."""
    return tuple(type_ for type_ in file_types() if {"fit", "like"} & set(tube_data(type_)) == {"fit"})

"""data/tubes/<type>.toml: what is written by hand about a tube, and what the fit wrote below it.

A file with `like = "6V6GT"` takes everything from that file that it does not state itself.

Where the parameters of a law may lie in a fit, and where those of their kind usually do.

The bounds are what a law of the kind can mean. What is usual comes from the tubes of the catalogue whose
rows pin the parameter down; it decides only what the rows leave open.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.errors import TableError, UnknownTube, near_matches
from tubekit.files import data_file

GridLaw = Triode | Pentode


@dataclass(frozen=True)
class Range:
    """Start and bounds of one parameter; `width` is how far it usually lies from `start`.

    A parameter with `factor` is fitted by its logarithm and `width` is that of the logarithm. What is
    usual of one with `over` is its ratio to the parameter of that name.
    """

    start: float
    low: float
    high: float
    width: float | None = None
    factor: bool = True
    over: str = ""

    def inward(self, value: float) -> float:
        """The value as it is fitted."""
        return float(np.log(value)) if self.factor else value


FIT = tomllib.loads(data_file("fit.toml").read_text(encoding="utf-8"))
"""The figures of published rows, and what is known of each parameter of a law."""
RANGES: Mapping[type[GridLaw], Mapping[str, Range]] = {
    kind: {name: Range(**entry) for name, entry in FIT[word].items()}
    for kind, word in ((Triode, "triode"), (Pentode, "pentode"))
}


def usual_of(kind: type[GridLaw]) -> dict[str, float]:
    """What is usual of every parameter of a law of a kind."""
    ranges = RANGES[kind]
    return {name: r.start * (ranges[r.over].start if r.over else 1.0) for name, r in ranges.items()}


USUAL: Mapping[str, Mapping[str, float]] = {"beam tetrode": {"share_drive": 0.8}}
"""What is usual of a kind of tube where it differs: behind aligned grids the screen stands in the shade."""


@dataclass(frozen=True, eq=False)
class FitPlan:
    """What a tube's file says about its fit.

    `assumed` are parameters set by hand, the reason beside them; `usual` says what is usual of the type
    rather than of its kind. Each of the tuples after them holds names in a handbook table: rows of
    characteristics, of output stages, of coupled stages, of a digitized plate chart and of published
    parameter sets (for the grid current). `shown` are rows kept out of the fit, `drive` the peak grid
    voltages of output rows that are not driven to zero bias, `weight` factors on the trust in rows,
    `recalled` rows from memory that no handbook table has. A row is named by its label, for `shown` and
    `weight` by the beginning of it.
    """

    type: str
    kind: str
    assumed: Mapping[str, float]
    characteristics: tuple[str, ...] = ()
    operation: tuple[str, ...] = ()
    coupled: tuple[str, ...] = ()
    curves: tuple[str, ...] = ()
    grid_sets: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    drive: Mapping[str, float] = field(default_factory=dict)
    weight: Mapping[str, float] = field(default_factory=dict)
    recalled: tuple[Mapping[str, Any], ...] = ()
    usual: Mapping[str, float] = field(default_factory=dict)


def tube_path(type_: str) -> Path:
    """The file of a type, by its exact name.

    Raises
    ------
    UnknownTube : there is none; near matches are listed.
    """
    names = file_types()
    if type_ in system_types():
        return data_file("tubes", "systems", f"{type_}.toml")
    if type_ not in names:
        raise UnknownTube(
            f"there is no tube '{type_}'",
            where="data/tubes",
            fix="tube_types() lists all types",
            near=near_matches(type_, names),
        )
    return data_file("tubes", f"{type_}.toml")


@cache
def file_types() -> tuple[str, ...]:
    """Types with a file of their own, sorted."""
    return tuple(sorted(path.stem for path in data_file("tubes").glob("*.toml")))


@cache
def system_types() -> tuple[str, ...]:
    """Sections of tubes that have unlike ones, sorted: '6BM8 triode' and the like."""
    return tuple(sorted(path.stem for path in data_file("tubes").glob("systems/*.toml")))


def read_toml(path: Path, where: str) -> dict[str, Any]:
    """What a tube file holds.

    Raises
    ------
    TableError : the file is not there, or not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise TableError(f"cannot be read: {error}", where=where) from error


@cache
def tube_data(type_: str) -> Mapping[str, Any]:
    """The file as it stands, completed from the file it is `like`.

    Raises
    ------
    UnknownTube : no such file. TableError : the file is not TOML.
    """
    path = tube_path(type_)
    where = f"data/tubes/{path.name}"
    return completed(read_toml(path, where), where)


def completed(own: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """What a file states, from the file it is `like` what it does not, and the pins of unlike sections.

    Raises
    ------
    UnknownTube : no such file to be like. TableError : it is like itself, or that file cannot be read.
    """
    data, seen, here = dict(own), [], own
    while "like" in here:
        like = here["like"]
        if not isinstance(like, str) or like in seen:
            problem = (
                "is not the name of a tube type" if not isinstance(like, str) else f"leads back to '{like}'"
            )
            raise TableError(problem, where=where, part="like", fix="Write the type it is based on")
        seen.append(like)
        path = tube_path(like)
        here = read_toml(path, f"data/tubes/{path.name}")
        data = {key: value for key, value in here.items() if key != "equivalents"} | data
    systems, pins = data.get("systems"), data.get("pins")
    if isinstance(systems, list) and isinstance(pins, dict):
        data["pins"] = {
            f"{name} {letter}": pin
            for letter, system in zip("abc", systems, strict=False)
            for name, pin in (tube_data(system)["pins"] if system in system_types() else {}).items()
            if not name.startswith("heater")
        } | pins
    return data


def fit_plan(type_: str) -> FitPlan:
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
    numbers: dict[str, Any] = {
        name: {key: float(value) for key, value in given.pop(name, {}).items()}
        for name in ("assumed", "usual", "drive", "weight")
    }
    numbers["usual"] = {**USUAL.get(data["kind"], {}), **numbers["usual"]}
    rows: dict[str, Any] = {name: tuple(names) for name, names in given.items()}
    try:
        return FitPlan(type_, data["kind"], recalled=tuple(data.get("recalled", ())), **numbers, **rows)
    except TypeError as error:
        raise TableError(str(error), where=f"data/tubes/{type_}.toml", part="fit") from error


def fitted_types() -> tuple[str, ...]:
    """Types whose own file has a plan for a fit."""
    types = (*file_types(), *system_types())
    return tuple(type_ for type_ in types if {"fit", "like"} & set(tube_data(type_)) == {"fit"})

"""Fit a tube of one's own: measured points in, a `Tube` out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from tubekit.devices.catalogue import tube as look_up
from tubekit.devices.fit_ranges import GridLaw
from tubekit.devices.pentode import Pentode
from tubekit.devices.points import Points, points_of, read_points, refuse_mixed
from tubekit.devices.points_fit import fit_points
from tubekit.devices.triode import Triode
from tubekit.devices.tube_fit import TubeFit
from tubekit.devices.tube_record import Ratings, Tube
from tubekit.errors import InputError, near_matches

KINDS: Mapping[str, type[GridLaw]] = {"triode": Triode, "pentode": Pentode, "beam tetrode": Pentode}


def fit_tube(
    points: str | Path | Points | Mapping[str, Any],
    *,
    kind: str | None = None,
    like: str | None = None,
    name: str | None = None,
) -> TubeFit:
    """Fit the law of a triode or pentode to measured points.

    Parameters
    ----------
    points : a CSV file, or columns by name: ``plate_v, grid_v, plate_ma`` and for a pentode ``screen_v``
        and, where measured, ``screen_ma``; other units by their name in the header (`points`).
    kind : 'triode', 'pentode' or 'beam tetrode'; that of `like` where not given.
    like : a type of the catalogue: base, pins, heater, ratings and capacitances are taken from it, and
        what the points leave open stays as in its law.
    name : type of the new tube; the name of the file where not given.

    Returns
    -------
    TubeFit : its `.tube` is used like any other; ``add_tube(fit.tube)`` makes it known by name, and
        ``fit.save(path)`` keeps it. Nothing is written unless asked.

    Raises
    ------
    TableError : the file or a column cannot be used. InputError : too few points, an unknown kind.
    UnknownTube : no type `like` that.

    Examples
    --------
    >>> plate, grid = [100, 150, 200, 250, 300] * 3, [-1.0] * 5 + [-1.5] * 5 + [-2.0] * 5
    >>> measured = look_up("12AX7").at(plate=plate, grid=grid).plate_a  # a bench would give these
    >>> columns = {"plate_v": plate, "grid_v": grid, "plate_a": measured}
    >>> fit = fit_tube(columns, like="12AX7", name="bench 1")
    >>> print(f"{fit.tube.type}: {fit.points.count} points, mu {fit.tube.law.mu:.0f}")
    bench 1: 15 points, mu 108
    """
    model = look_up(like) if like is not None else None
    chosen = _kind(kind, model)
    if isinstance(points, Mapping):
        points = points_of(points)
    elif not isinstance(points, Points):
        name = name or Path(points).stem
        points = read_points(points)
    screen = KINDS[chosen] is Pentode
    refuse_mixed(points, screen)
    if model is not None:
        model = next((each for each in model.systems if isinstance(each.law, KINDS[chosen])), model)
    if model is not None and not isinstance(model.law, KINDS[chosen]):
        raise InputError(
            f"{model.type} is a {model.kind}, not a {chosen}", part="like", fix="Choose a tube of that kind"
        )
    return fit_points(KINDS[chosen], points, model, _record(name or "own tube", chosen, model))


def _kind(kind: str | None, model: Tube | None) -> str:
    kinds = ", ".join(KINDS)
    if kind is None and model is None:
        raise InputError("is missing", part="kind", fix=f"Choose one of {kinds}, or a type it is like")
    wanted = model.kind if kind is None and model is not None else str(kind)
    if wanted not in KINDS:
        raise InputError(
            f"a tube of kind '{wanted}' cannot be fitted",
            part="kind",
            fix=f"Choose one of {kinds}",
            near=near_matches(wanted, KINDS),
        )
    return wanted


def _record(name: str, kind: str, model: Tube | None) -> Tube:
    """All that is no law: from the type it is like, or unknown."""
    title = f"{kind}, fitted to measured points"
    if model is not None:
        known = f"base, pins, heater, ratings and capacitances as {model.type}; law from measured points"
        bare = replace(model, equivalents=(), fit=(), conflicts=(), notes="", systems=())
        return replace(bare, type=name, kind=kind, title=title, known=known)
    return Tube(
        type=name,
        equivalents=(),
        kind=kind,
        title=title,
        base="unknown",
        sections=1,
        pins={},
        heater_volts=None,
        heater_amps=None,
        ratings=Ratings(),
        law=Triode(perveance=1e-3, mu=50.0),  # until the fit puts its own in
        capacitances={},
        known="law from measured points, all else unknown",
    )

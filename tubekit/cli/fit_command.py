"""The command `fit`: a tube of one's own from measured points."""

from __future__ import annotations

from typing import Any

from tubekit.cli.asked import Asked, command

KINDS = ("triode", "pentode", "beam tetrode")


def add_fit(commands: Any) -> None:
    """Add the command."""
    parser = command(commands, "fit", "The law of a tube from points measured on it.", _fit)
    parser.add_argument(
        "points", metavar="FILE.csv",
        help="columns plate_v, grid_v, plate_ma; for a pentode screen_v too, and screen_ma where measured; "
        "other units by their name (plate_a, plate_ua)",
    )  # fmt: skip
    parser.add_argument("--kind", choices=KINDS, help="what it is; that of --like when not given")
    parser.add_argument(
        "--like",
        metavar="TYPE",
        help="a type it is like: gives base, pins, ratings and what points leave open",
    )
    parser.add_argument("--name", metavar="NAME", help="type of the new tube; the name of the file else")
    parser.add_argument("--save", metavar="FILE.toml", help="keep it in a tube file (see TUBEKIT_TUBES)")
    parser.add_argument("--overwrite", action="store_true", help="let --save replace a file that is there")


def _fit(asked: Asked) -> Any:
    from tubekit.devices.own_fit import fit_tube

    found = fit_tube(asked.points, kind=asked.kind, like=asked.like, name=asked.name)
    if asked.save is not None:
        found.save(asked.save, overwrite=asked.overwrite)
    return found

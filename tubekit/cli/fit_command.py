"""The command `fit`: a tube of one's own from measured points."""

from __future__ import annotations

from typing import Any

from tubekit.cli.arguments import Asked, command

KINDS = ("triode", "pentode", "beam tetrode")


def add_fit(commands: Any) -> None:
    """Add the command."""
    parser = command(commands, "fit", "Fit a tube model to measured points.", _fit)
    parser.add_argument(
        "points", metavar="FILE.csv",
        help="points in columns plate_v, grid_v, plate_ma; for a pentode also screen_v, and screen_ma "
        "(if measured); name the column plate_a for amps, plate_ua for microamps",
    )  # fmt: skip
    parser.add_argument("--kind", choices=KINDS, help="kind of tube (default: the same as --like)")
    parser.add_argument(
        "--like",
        metavar="TYPE",
        help="copy base, pinout, ratings and whatever your points do not show from this type",
    )
    parser.add_argument("--name", metavar="NAME", help="name for the new tube (default: the file name)")
    parser.add_argument("--save", metavar="FILE.toml", help="save it in this tube file (see TUBEKIT_TUBES)")
    parser.add_argument("--overwrite", action="store_true", help="allow --save to overwrite")


def _fit(asked: Asked) -> Any:
    from tubekit.devices.own_fit import fit_tube

    result = fit_tube(asked.points, kind=asked.kind, like=asked.like, name=asked.name)
    if asked.save is not None:
        result.save(asked.save, overwrite=asked.overwrite)
    return result

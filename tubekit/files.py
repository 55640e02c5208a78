"""Where the data lie: inside an installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

from tubekit.errors import TableError, near_matches


def data_root() -> Path:
    """Directory of the data: packaged `tubekit/data`, else the checkout's `data`."""
    package = Path(__file__).resolve().parent
    packaged = package / "data"
    return packaged if packaged.is_dir() else package.parent / "data"


def data_file(*parts: str) -> Path:
    """Path of a file or directory in the data.

    Raises
    ------
    TableError : nothing there; lists near matches of the part that is missing.

    Examples
    --------
    >>> data_file("handbook", "rc_coupled.csv").name
    'rc_coupled.csv'
    """
    path = data_root()
    for depth, part in enumerate(parts):
        if not (path / part).exists():
            present = sorted(entry.name for entry in path.iterdir()) if path.is_dir() else []
            raise TableError(
                f"there is no '{part}'",
                where="/".join(("data", *parts[:depth])),
                fix=f"It holds {', '.join(present)}" if present else "The data are not installed",
                near=near_matches(part, present),
            )
        path /= part
    return path

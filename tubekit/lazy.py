"""Names of a room that load their module when first used, so that opening one panel loads no other."""

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any


def lazy_names(room: str, homes: Mapping[str, Sequence[str]]) -> tuple[Callable[[str], Any], list[str]]:
    """What a room's `__getattr__` and `__all__` are.

    Parameters
    ----------
    room
        Name of the package.
    homes
        Names by the module of the package that has them.

    Returns
    -------
    tuple of callable and list
        `__getattr__` and `__all__` of the package.

    Examples
    --------
    >>> get, names = lazy_names("tubekit.plots", {"bias": ("cathode_bias",)})
    >>> names, get("cathode_bias").__module__
    (['cathode_bias'], 'tubekit.plots.bias')
    """
    home_of = {name: home for home, names in homes.items() for name in names}

    def load(name: str) -> Any:
        if name not in home_of:
            raise AttributeError(f"module {room!r} has no attribute {name!r}")
        result = getattr(import_module(f"{room}.{home_of[name]}"), name)
        setattr(import_module(room), name, result)
        return result

    return load, sorted(home_of)

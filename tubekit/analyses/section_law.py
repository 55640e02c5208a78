"""Which law a stage is worked out with: a type name, a record or a law, worn or off the mean."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np

from tubekit.devices.catalogue import tube as look_up
from tubekit.devices.law import Law, Parameter
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.devices.tube_record import Tube
from tubekit.errors import InputError

AnyTube: TypeAlias = str | Tube | Triode | Pentode


def section_law(tube: AnyTube, emission: Parameter = 1.0, spread: Parameter = 1.0) -> Triode | Pentode:
    """The law of one section.

    Parameters
    ----------
    tube : type name or equivalent, a record of the catalogue, or a law as it is.
    emission : cathode emission left of a worn tube, 1 is new.
    spread : current of this new tube at fixed voltages, relative to the mean of its type; makers let
        it lie 0.6 to 1.4 in places (data/handbook/tube_spread_limits.csv).

    Raises
    ------
    UnknownTube : no such type. InputError : a rectifier; emission or spread not above zero.

    Examples
    --------
    >>> new, worn = section_law("6V6GT"), section_law("6V6GT", emission=0.7)
    >>> point = np.array([250.0, 250.0, -12.5])
    >>> print(f"{worn.evaluate(point)[0][0] / new.evaluate(point)[0][0]:.3f}")
    0.700
    """
    for name, factor in (("emission", emission), ("spread", spread)):
        if not (np.all(np.isfinite(factor)) and np.all(np.asarray(factor) > 0)):
            raise InputError(
                f"{name} {factor!r} is not above zero", fix=f"Give {name} as a factor, 1 is the mean new tube"
            )
    law: Law = tube if isinstance(tube, (Triode, Pentode)) else _record(tube).law
    if not isinstance(law, (Triode, Pentode)):
        raise InputError("is a rectifier: there is no grid to drive", part=type_name(tube))
    same = np.ndim(emission) == 0 and np.ndim(spread) == 0 and emission == 1.0 and spread == 1.0
    return law if same else law.worn(np.asarray(emission) * spread)


def type_name(tube: AnyTube) -> str:
    """How the tube is called: its type, or the kind of a bare law."""
    if isinstance(tube, (Triode, Pentode)):
        return type(tube).__name__.lower()
    return _record(tube).type


def plate_limit(tube: AnyTube) -> float:
    """Rated plate dissipation [W]; NaN where none is known."""
    if isinstance(tube, (Triode, Pentode)):
        return float("nan")
    watts = _record(tube).ratings.plate_w
    return float("nan") if watts is None else watts


def _record(tube: str | Tube) -> Tube:
    return look_up(tube) if isinstance(tube, str) else tube

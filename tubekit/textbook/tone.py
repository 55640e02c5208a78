"""A passive tone network of three controls."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Part, Resistor, Value
from tubekit.errors import InputError, near_matches

THREE: Mapping[str, float] = MappingProxyType(
    {
        "treble": 100e3,
        "bass": 400e3,
        "middle": 10e3,
        "slope": 22.4e3,
        "treble_farads": 625e-12,
        "bass_farads": 50e-9,
        "middle_farads": 50e-9,
    }
)
"""Parts of the three-control network [Ω, F]. Every impedance is 0.4 times that of
data/handbook/worked_examples.csv W19, so the response to an ideal source without load is the same (impedance
scaling, any circuit textbook)."""
END = 1e-6
"""Share of a track that stays at the stops."""


def three_control(
    *, treble: Value = 0.5, middle: Value = 0.5, bass: Value = 0.5, parts: Mapping[str, Value] | None = None
) -> Circuit:  # fmt: skip
    """A treble, middle and bass network between an ideal source and no load.

    Parameters
    ----------
    treble, middle, bass
        Share of each track below the wiper, 0 to 1 (see `tubekit.devices.potentiometer.fraction` for what a
        knob does).
    parts
        Values that differ from `THREE`, by its names [Ω, F].

    Returns
    -------
    Circuit
        Ready for every analysis; the signal goes in at the node `in` and comes out at `out`.

    Raises
    ------
    InputError
        A position beyond the stops, an unknown part.

    Examples
    --------
    >>> from tubekit import frequency_response, operating_point
    >>> point = operating_point(three_control())
    >>> print(f"{frequency_response(point, 'in', ['out'], [1000.0]).gain_db[0, 0, 0]:.2f} dB")
    -11.75 dB
    """
    p = _values(THREE, parts)
    t, m, b = (_turn(position) for position in (treble, middle, bass))
    wiring: list[Part] = [
        Capacitor("C1", "in", "treble_top", p["treble_farads"]),
        *_track("R1", "treble_top", "out", "treble_bottom", p["treble"], t),
        Resistor("R4", "in", "slope", p["slope"]),
        Capacitor("C2", "slope", "treble_bottom", p["bass_farads"]),
        Resistor("R2", "treble_bottom", "middle_top", p["bass"] * b),
        Capacitor("C3", "slope", "middle_wiper", p["middle_farads"]),
        *_track("R3", "middle_top", "middle_wiper", GROUND, p["middle"], m),
    ]
    return Circuit(tuple(wiring), "three-control tone network")


def _values(usual: Mapping[str, float], given: Mapping[str, Value] | None) -> dict[str, Value]:
    unknown = [name for name in given or {} if name not in usual]
    if unknown:
        raise InputError(
            "is not a part of this network", part=unknown[0], fix=f"The parts are {', '.join(usual)}",
            near=near_matches(unknown[0], usual),
        )  # fmt: skip
    return {**usual, **(given or {})}


def _turn(position: npt.ArrayLike) -> Value:
    share = np.asarray(position, float)
    if not np.all((share >= 0.0) & (share <= 1.0)):
        raise InputError(f"position {position!r} is beyond the stops", fix="Give 0 to 1")
    kept = np.clip(share, END, 1.0 - END)
    return kept if kept.ndim else float(kept)


def _track(name: str, top: str, wiper: str, bottom: str, ohms: Value, below: Value) -> list[Part]:
    return [
        Resistor(f"{name} upper", top, wiper, ohms * (1.0 - np.asarray(below))),
        Resistor(f"{name} lower", wiper, bottom, ohms * np.asarray(below)),
    ]

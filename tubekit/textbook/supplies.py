"""A full-wave supply with capacitor input, as rectifier rows state it."""

from __future__ import annotations

import numpy as np

from tubekit.analyses.mains import mains_steady_state
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Part, Rectifier, Resistor, Value, VoltageSource
from tubekit.devices.catalogue import tube as look_up
from tubekit.devices.rectifier import IdealDiode, RectifierLaw, SiliconDiode, TubeDiode
from tubekit.errors import InputError

SAMPLES = 128
AGREED = 1e-5
"""The load draws the current that was asked for within this part of it."""


def capacitor_input(
    rectifier: str | RectifierLaw,
    *,
    secondary_rms: Value,
    source_resistance: Value,
    reservoir: Value,
    load_current: Value,
    frequency_hz: float,
) -> Circuit:
    """A full-wave supply into a reservoir capacitor.

    The load is the resistor `R3` that draws `load_current` at the voltage found by solving: it behaves in
    every analysis, and a constant current would ask for the impossible where the supply cannot give it.

    Parameters
    ----------
    rectifier
        Type, or law of one plate.
    secondary_rms
        Open-circuit voltage of each half [V RMS].
    source_resistance
        Of each half, with the primary's share [Ω].
    reservoir
        Reservoir capacitor [F].
    load_current
        Mean current of the load [A].
    frequency_hz
        Line frequency [Hz].

    Returns
    -------
    Circuit
        Ready for every analysis; B+ is the node `b_plus`.

    Raises
    ------
    InputError
        No rectifier, or a load current above what the supply can give.

    Examples
    --------
    >>> from tubekit import mains_steady_state, textbook
    >>> supply = textbook.capacitor_input("5Y3GT", secondary_rms=350, source_resistance=50, reservoir=10e-6,
    ...                                   load_current=0.125, frequency_hz=60)
    >>> print(f"{mains_steady_state(supply, frequency_hz=60).mean('b_plus')[0]:.0f} V")
    355 V
    """
    name = look_up(rectifier).type if isinstance(rectifier, str) else type(rectifier).__name__
    law = look_up(rectifier).law if isinstance(rectifier, str) else rectifier
    if not isinstance(law, (TubeDiode, SiliconDiode, IdealDiode)):
        raise InputError("is no rectifier", part=name, fix="Name a rectifier tube or a silicon diode")
    peak = np.sqrt(2.0) * np.asarray(secondary_rms, float)
    parts: list[Part] = [Capacitor("C1", "b_plus", GROUND, reservoir)]
    for k, half, sign in ((1, "V1a", 1.0), (2, "V1b", -1.0)):
        parts += [
            VoltageSource(f"T{k}", f"winding{k}", GROUND, ac=sign * peak),
            Resistor(f"R{k}", f"winding{k}", f"plate{k}", source_resistance),
            Rectifier(half, law, f"plate{k}", "b_plus"),
        ]
    return _loaded(parts, f"{name}, capacitor input", load_current, secondary_rms, frequency_hz)


def _loaded(parts: list[Part], title: str, amps: Value, rms: Value, hz: float) -> Circuit:
    """With the load resistor that draws `amps` [A]: each round takes the voltage of the one before."""
    wanted = np.asarray(amps, float)
    if not np.all(np.isfinite(wanted) & (wanted > 0)):
        raise InputError(
            f"a load current of {amps!r} is not above zero", fix="Give load_current= in amps, e.g. 0.1"
        )
    volts = np.asarray(rms, float) * 1.2 + 0.0 * wanted
    near = None
    for _ in range(40):
        ohms = volts / wanted
        load = Resistor("R3", "b_plus", GROUND, ohms if ohms.ndim else float(ohms))
        circuit = Circuit((*parts, load), title)
        near = mains_steady_state(circuit, frequency_hz=hz, samples=SAMPLES, near=near)
        result = near.mean("b_plus")
        drawn = result / np.atleast_1d(ohms)
        if np.all(np.abs(drawn / wanted - 1.0) < AGREED):
            return circuit
        volts = result if ohms.ndim else result[0]
    raise InputError(
        "the supply cannot give this current",
        part=title,
        fix="Lower load_current=, or raise the winding's voltage",
    )

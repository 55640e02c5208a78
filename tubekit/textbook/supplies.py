"""Full-wave supplies: capacitor input and choke input, as rectifier rows state them."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np

from tubekit.analyses.mains import mains_steady_state
from tubekit.circuit.parts import GROUND, Capacitor, Part, Rectifier, Resistor, Value, VoltageSource, Windings
from tubekit.devices.catalogue import tube as look_up
from tubekit.devices.law import Parameter
from tubekit.devices.rectifier import IdealDiode, RectifierLaw, SiliconDiode, TubeDiode
from tubekit.devices.tube_record import Tube
from tubekit.errors import InputError
from tubekit.textbook.circuit import TextbookCircuit

AnyRectifier: TypeAlias = str | Tube | TubeDiode | SiliconDiode | IdealDiode

SAMPLES = 128
AGREED = 1e-5
"""The load draws the current that was asked for within this part of it."""


def capacitor_input(
    rectifier: AnyRectifier,
    *,
    secondary_rms: Value,
    source_resistance: Value,
    reservoir: Value,
    load_current: Value,
    frequency_hz: float,
    emission: float = 1.0,
) -> TextbookCircuit:
    """A full-wave supply into a reservoir capacitor.

    The load is the resistor `R3` that draws `load_current` at the voltage found by solving: it behaves in
    every analysis, and a constant current would ask for the impossible where the supply cannot give it.

    Parameters
    ----------
    rectifier
        Type, record or law of one plate.
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
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Raises
    ------
    InputError
        No rectifier, or a load current above what the supply can give.

    Examples
    --------
    >>> from tubekit import textbook
    >>> supply = textbook.capacitor_input("5Y3GT", secondary_rms=350, source_resistance=50, reservoir=10e-6,
    ...                                   load_current=0.125, frequency_hz=60)
    >>> 340 < textbook.solve(supply).dc_v < 370
    True
    """
    after: list[Part] = [Capacitor("C1", "b_plus", GROUND, reservoir)]
    halves = _halves(_law(rectifier, emission), secondary_rms, source_resistance, "b_plus")
    return _loaded(
        [*halves, *after], f"{_name(rectifier)}, capacitor input", load_current, secondary_rms, frequency_hz
    )


def choke_input(
    rectifier: AnyRectifier,
    *,
    secondary_rms: Value,
    source_resistance: Value,
    choke: Value,
    reservoir: Value,
    load_current: Value,
    frequency_hz: float,
    choke_resistance: Value = 0.0,
    emission: float = 1.0,
) -> TextbookCircuit:
    """A full-wave supply into a choke [H] of `choke_resistance` [Ω] and a capacitor; else `capacitor_input`.


    The load is as in `capacitor_input`.

    Parameters
    ----------
    rectifier
        Type, record or law of one plate.
    secondary_rms
        Open-circuit voltage of each half [V RMS].
    source_resistance
        Of each half, with the primary's share [Ω].
    choke
        Inductance [H].
    reservoir
        Capacitor behind the choke [F].
    load_current
        Mean current of the load [A].
    frequency_hz
        Line frequency [Hz].
    choke_resistance
        Of the choke [Ω].
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Examples
    --------
    >>> from tubekit import textbook
    >>> supply = textbook.choke_input("5Y3GT", secondary_rms=500, source_resistance=50, choke=10.0,
    ...                               reservoir=10e-6, load_current=0.125, frequency_hz=60)
    >>> 370 < textbook.solve(supply).dc_v < 410
    True
    """
    after: list[Part] = [
        Windings(
            "L1", (("cathode", "b_plus"),), (choke_resistance,), np.asarray(choke, float)[..., None, None]
        ),
        Capacitor("C1", "b_plus", GROUND, reservoir),
    ]
    halves = _halves(_law(rectifier, emission), secondary_rms, source_resistance, "cathode")
    return _loaded(
        [*halves, *after], f"{_name(rectifier)}, choke input", load_current, secondary_rms, frequency_hz
    )


def _halves(law: RectifierLaw, rms: Value, ohms: Value, cathode: str) -> list[Part]:
    peak = np.sqrt(2.0) * np.asarray(rms, float)
    parts: list[Part] = []
    for k, sign in ((1, 1.0), (2, -1.0)):
        parts += [
            VoltageSource(f"T{k}", f"winding{k}", GROUND, ac=sign * peak),
            Resistor(f"R{k}", f"winding{k}", f"plate{k}", ohms),
            Rectifier(f"V1{'ab'[k - 1]}", law, f"plate{k}", cathode),
        ]  # fmt: skip
    return parts


def _loaded(parts: list[Part], title: str, amps: Value, rms: Value, hz: float) -> TextbookCircuit:
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
        circuit = TextbookCircuit(
            (*parts, Resistor("R3", "b_plus", GROUND, ohms if ohms.ndim else float(ohms))), title,
            purpose="supply", input="", output=("b_plus", GROUND), load="R3", frequency_hz=hz,
        )  # fmt: skip
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


def _law(rectifier: AnyRectifier, emission: Parameter) -> RectifierLaw:
    law = (
        look_up(rectifier).law
        if isinstance(rectifier, str)
        else rectifier.law
        if isinstance(rectifier, Tube)
        else rectifier
    )
    if not isinstance(law, (TubeDiode, SiliconDiode, IdealDiode)):
        raise InputError(
            "is no rectifier", part=_name(rectifier), fix="Name a rectifier tube or a silicon diode"
        )
    return law.worn(emission)


def _name(rectifier: AnyRectifier) -> str:
    if isinstance(rectifier, str):
        return look_up(rectifier).type
    return rectifier.type if isinstance(rectifier, Tube) else type(rectifier).__name__

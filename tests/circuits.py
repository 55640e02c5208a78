"""Hand-made circuits with made-up tube parameters, shared by tests and benchmarks.

The numbers are for computing with, not data of any tube: two methods are held against each other on them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tubekit.circuit.parts import (
    Capacitor,
    Circuit,
    Device,
    Part,
    Rectifier,
    Resistor,
    Value,
    VoltageSource,
    Windings,
)
from tubekit.devices.pentode import Pentode
from tubekit.devices.rectifier import RectifierLaw
from tubekit.devices.triode import Triode

HIGH_MU = Triode(perveance=1.2e-3, mu=96.0, exponent=1.45, offset=0.5, softness=0.25, grid_offset=0.2)
MEDIUM_MU = Triode(perveance=1.6e-3, mu=19.0, exponent=1.4, softness=0.6, grid_offset=0.2)
BEAM = Pentode(perveance=1.1e-3, mu_screen=9.5, mu_plate=220.0, exponent=1.4, softness=0.8)

GROUND = "ground"


def stage(supply: Value = 250.0, cathode: Value = 1500.0, load: Value = 1e5) -> Circuit:
    """One triode with cathode bias."""
    return Circuit(
        (
            VoltageSource("B", "b", GROUND, supply),
            *triode("1", "b", load, cathode),
        ),
        "one stage",
    )


def triode(name: str, rail: str, load: Value, cathode: Value, law: Triode = HIGH_MU) -> list[Part]:
    """A stage named V<name> between `rail` and ground; nodes g<name>, p<name>, k<name>."""
    g, p, k = f"g{name}", f"p{name}", f"k{name}"
    return [
        Device(f"V{name}", law, (p, g), k),
        Resistor(f"RL{name}", rail, p, load),
        Resistor(f"RK{name}", k, GROUND, cathode),
        Resistor(f"RG{name}", g, GROUND, 1e6),
    ]


def split_load() -> Circuit:
    """A stage directly coupled to a split-load inverter."""
    return Circuit(
        (
            VoltageSource("B", "b", GROUND, 300.0),
            *triode("1", "b", 2.2e5, 2200.0),
            Device("V2", MEDIUM_MU, ("p2", "p1"), "k2"),
            Resistor("R1", "b", "p2", 5.6e4),
            Resistor("R2", "k2", GROUND, 5.6e4),
        ),
        "split-load inverter",
    )


def long_tail() -> Circuit:
    """A long-tailed pair on a resistive tail."""
    return Circuit((VoltageSource("B", "b", GROUND, 320.0), *_long_tail()), "long-tailed pair")


def _long_tail() -> list[Part]:
    return [
        Device("V3a", HIGH_MU, ("p3a", "g3a"), "k3"),
        Device("V3b", HIGH_MU, ("p3b", "g3b"), "k3"),
        Resistor("R31", "b", "p3a", 8.2e4),
        Resistor("R32", "b", "p3b", 1e5),
        Resistor("R33", "k3", "t3", 470.0),
        Resistor("R34", "t3", GROUND, 1.2e4),
        Resistor("R35", "g3a", "t3", 1e6),
        Resistor("R36", "g3b", "t3", 1e6),
    ]


def push_pull() -> Circuit:
    """Two beam tetrodes on a common cathode resistor and a transformer."""
    return Circuit((VoltageSource("B", "b0", GROUND, 320.0), *_push_pull()), "push-pull pair")


def _push_pull() -> list[Part]:
    return [
        Device("V4", BEAM, ("p4", "s4", "g4"), "k4"),
        Device("V5", BEAM, ("p5", "s4", "g5"), "k4"),
        Windings("T1", (("p4", "b0"), ("b0", "p5"), ("sp", GROUND)), (110.0, 120.0, 0.4), OUTPUT),
        Resistor("R41", "b0", "s4", 1000.0),
        Resistor("R42", "k4", GROUND, 250.0),
        Resistor("R43", "g4", GROUND, 2.2e5),
        Resistor("R44", "g5", GROUND, 2.2e5),
        Resistor("R45", "sp", GROUND, 8.0),
    ]


def coupled(turns: list[float], henries: float, leakage: float = 1e-3) -> np.ndarray:
    """Inductance matrix [H] of coils on one core; `henries` of the first, each with its leakage share."""
    ratio = np.asarray(turns) / turns[0]
    return henries * (np.outer(ratio, ratio) + leakage * np.diag(ratio**2))


OUTPUT = coupled([1.0, 1.0, 0.063], 8.0)


def amp(spread: np.ndarray | None = None, supply: Value = 340.0) -> Circuit:
    """Two stages, long-tailed pair, push-pull pair: 14 ports.

    `spread` (N, resistors) multiplies every resistor.
    """
    parts: list[Part] = [
        VoltageSource("B", "b0", GROUND, supply),
        Resistor("R1", "b0", "b", 1e4),
        Resistor("R2", "b", "b2", 2.2e4),
        *triode("1", "b2", 1e5, 1500.0),
        *triode("2", "b2", 1e5, 1500.0),
        *_long_tail(),
        *_push_pull(),
        Capacitor("C1", "p1", "g2", 22e-9),
        Capacitor("C2", "p2", "g3a", 22e-9),
        Capacitor("C3", "g3b", GROUND, 1e-7),
        Capacitor("C4", "p3a", "g4", 1e-7),
        Capacitor("C5", "p3b", "g5", 1e-7),
        Capacitor("C6", "k4", GROUND, 25e-6),
        Capacitor("C7", "k1", GROUND, 25e-6),
    ]
    if spread is not None:
        factors = iter(spread.T)
        parts = [
            Resistor(p.name, p.a, p.b, p.ohms * next(factors)) if isinstance(p, Resistor) else p
            for p in parts
        ]
    return Circuit(tuple(parts), "whole amp")


RESISTORS = len(amp().of(Resistor))


def wild(count: int, sigma: float, seed: int) -> np.ndarray:
    """Log-normal factors for `amp`, (count, RESISTORS)."""
    return np.asarray(np.random.default_rng(seed).lognormal(0.0, sigma, (count, RESISTORS)))


def varied(circuit: Circuit, count: int, sigma: float, seed: int) -> Circuit:
    """Resistors, capacitors and coils each times log-normal factors, (count,)."""
    random = np.random.default_rng(seed)
    parts: list[Part] = []
    for part in circuit.parts:
        factor = random.lognormal(0.0, sigma, count)
        match part:
            case Resistor():
                parts.append(replace(part, ohms=part.ohms * factor))
            case Capacitor():
                parts.append(replace(part, farads=part.farads * factor))
            case Windings():
                ohms = tuple(value * factor for value in part.ohms)
                parts.append(replace(part, ohms=ohms, henries=part.henries * factor[:, None, None]))
            case _:
                parts.append(part)
    return Circuit(tuple(parts), circuit.title)


def one_of(circuit: Circuit, k: int) -> Circuit:
    """One member of what `varied` makes."""
    parts: list[Part] = []
    for part in circuit.parts:
        match part:
            case Resistor():
                parts.append(replace(part, ohms=part.ohms[k]))
            case Capacitor():
                parts.append(replace(part, farads=part.farads[k]))
            case Windings():
                parts.append(replace(part, ohms=tuple(o[k] for o in part.ohms), henries=part.henries[k]))
            case _:
                parts.append(part)
    return Circuit(tuple(parts), circuit.title)


def full_wave(
    law: RectifierLaw,
    *,
    volts: tuple[float, float] = (325.0, 325.0),
    copper: tuple[float, float] = (62.0, 65.0),
    choke: Part | None = None,
    sections: tuple[tuple[float, float], ...] = ((4700.0, 20e-6), (22000.0, 20e-6)),
    reservoir: float = 20e-6,
    loads: tuple[float, ...] = (4000.0, 30000.0, 100000.0),
) -> Circuit:
    """Centre-tapped supply: sources [V RMS] behind copper, reservoir b0, then R-C sections b1, b2 …

    `choke` takes the place of the first section's resistor; `reservoir` may be 0 (choke input).
    """
    peak = np.sqrt(2.0)
    parts: list[Part] = [
        VoltageSource("TA", "sa", GROUND, ac=peak * volts[0]),
        VoltageSource("TB", GROUND, "sb", ac=peak * volts[1]),
        Resistor("RA", "sa", "a", copper[0]),
        Resistor("RB", "sb", "bb", copper[1]),
        Rectifier("V1a", law, "a", "b0"),
        Rectifier("V1b", law, "bb", "b0"),
    ]
    if reservoir:
        parts.append(Capacitor("C0", "b0", GROUND, reservoir))
    for j, (ohms, farads) in enumerate(sections):
        between = choke if choke is not None and j == 0 else Resistor(f"R{j}", f"b{j}", f"b{j + 1}", ohms)
        parts += [between, Capacitor(f"C{j + 1}", f"b{j + 1}", GROUND, farads)]
    parts += [Resistor(f"RL{j}", f"b{j}", GROUND, ohms) for j, ohms in enumerate(loads) if ohms]
    return Circuit(tuple(parts), "full-wave supply")


def bridge(law: RectifierLaw, choke: Part | None = None, load: float = 3300.0) -> Circuit:
    """Four diodes, one winding that floats, reservoir and one section; a `choke` takes their place."""
    filtered = [Capacitor("C0", "b0", GROUND, 47e-6), Resistor("R0", "b0", "b1", 470.0)]
    return Circuit(
        (
            VoltageSource("T", "s", "y", ac=300.0),
            Resistor("RS", "s", "x", 30.0),
            Rectifier("CR1", law, "x", "b0"),
            Rectifier("CR2", law, "y", "b0"),
            Rectifier("CR3", law, GROUND, "x"),
            Rectifier("CR4", law, GROUND, "y"),
            *([choke] if choke else filtered),
            Capacitor("C1", "b1", GROUND, 47e-6),
            Resistor("RL", "b1", GROUND, load),
        ),
        "bridge supply",
    )


def half_wave(law: RectifierLaw) -> Circuit:
    """One diode: a bias supply, negative of ground."""
    return Circuit(
        (
            VoltageSource("T", "s", GROUND, ac=70.0),
            Resistor("RS", "s", "x", 1000.0),
            Rectifier("CR1", law, "b0", "x"),
            Capacitor("C0", "b0", GROUND, 10e-6),
            Resistor("R0", "b0", "b1", 15e3),
            Capacitor("C1", "b1", GROUND, 10e-6),
            Resistor("RL", "b1", GROUND, 47e3),
        ),
        "bias supply",
    )

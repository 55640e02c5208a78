"""From what a technician states about a stage to the bare stage behind its load line."""

from __future__ import annotations

import numpy as np

from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.plate_stage import PlateStage, self_bias
from tubekit.circuit.parts import GROUND, Circuit, Device, Part, Resistor, VoltageSource
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.errors import InputError


def bare_stage(
    law: Triode | Pentode, name: str, load: float, plate: float | None, supply: float | None,
    screen: float | None, grid: float | None, cathode: float | None, next_grid: float | None, pair: bool,
    tap: float,
) -> PlateStage:  # fmt: skip
    """Voltages at rest and what the plates see, from what a user gives."""
    if (plate is None) == (supply is None):
        raise InputError(
            "needs plate= or supply=",
            part=name,
            fix="Give the plate voltage at idle, or the B+ of a plate resistor",
        )
    if (grid is None) == (cathode is None):
        raise InputError(
            "needs grid= or cathode=",
            part=name,
            fix="Give the bias in volts, or the cathode resistor in ohms",
        )
    if not 0.0 <= tap <= 1.0:
        raise InputError(
            f"a tap of {tap!r} is not on the winding",
            part=name,
            fix="Give 0 (screen at its own supply) to 1 (strapped)",
        )
    if isinstance(law, Triode):
        if screen is not None or tap:
            raise InputError("a triode has no screen", part=name, fix="Leave screen= and tap= out")
    elif screen is None:
        if not tap:
            raise InputError(
                "needs its screen voltage",
                part=name,
                fix="Give screen= in volts, or tap= for a tapped winding",
            )
        screen = plate if plate is not None else supply
    if pair and supply is not None:
        raise InputError("a pair needs a transformer", part=name, fix="Give plate= instead of supply=")
    above_zero("load", load)
    rk = 0.0 if cathode is None else above_zero("cathode", cathode)
    if supply is not None:
        return _resistor_fed(law, supply, load, screen, grid, rk, next_grid, tap)
    assert plate is not None
    tubes = 2 if pair else 1
    bias = self_bias(law, plate, screen, rk, tubes) if grid is None else -grid
    return PlateStage(law, plate, screen, -bias, load / 4.0 if pair else load, tap, pair, 0.0, rk)


def _resistor_fed(
    law: Triode | Pentode, supply: float, load: float, screen: float | None, grid: float | None,
    cathode: float, next_grid: float | None, tap: float,
) -> PlateStage:  # fmt: skip
    """Rest of a stage on a plate resistor, from a circuit of its own."""
    bottom = "k" if cathode else GROUND
    nodes = ("p", "g") if screen is None else ("p", "p" if tap == 1.0 else "s", "g")
    parts: list[Part] = [
        VoltageSource("B", "b", GROUND, supply), Resistor("R1", "b", "p", load),
        VoltageSource("E", "g", GROUND, 0.0 if grid is None else grid), Device("V1", law, nodes, bottom),
    ]  # fmt: skip
    if "s" in nodes:
        parts.append(VoltageSource("S", "s", GROUND, float(screen or 0.0)))
    if cathode:
        parts.append(Resistor("R2", "k", GROUND, cathode))
    rest = operating_point(Circuit(tuple(parts), "stage at idle")).port_volts[0]
    seen = load if next_grid is None else load * next_grid / (load + above_zero("next_grid", next_grid))
    at_screen = None if screen is None else float(rest[1])
    return PlateStage(law, float(rest[0]), at_screen, float(rest[-1]), seen, tap, False, load, cathode)


def above_zero(name: str, value: float) -> float:
    """The value, which must be a finite number above zero."""
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{name} {value!r} is not above zero", fix=f"Give {name}= above zero")
    return float(value)

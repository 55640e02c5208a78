"""How far a rail falls as it is loaded: the regulation curve of a supply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.analyses.mains import SAMPLES, MainsState, mains_steady_state
from tubekit.circuit.parts import GROUND, Circuit, CurrentSource
from tubekit.errors import CircuitError, near_matches
from tubekit.text import Printed, Table, headed, quantity

Array = np.ndarray

LOAD = "load on the rail"


@dataclass(frozen=True, eq=False, repr=False)
class Regulation(Printed):
    """One rail against the current drawn from it."""

    node: str
    amps: Array = quantity("A", "I", "current drawn, (N,)")
    volts: Array = quantity("V", "V", "mean voltage, (N,)")
    ripple_pp_v: Array = quantity("V", "v_pp", "ripple, peak to peak, (N,)")
    state: MainsState = field(repr=False, kw_only=True)

    json_keys = ("node", "amps", "volts", "ripple_pp_v", "source_ohms")

    @property
    def source_ohms(self) -> Array:
        """How steeply the rail falls: -dV/dI [Ω], (N,)."""
        return np.asarray(-np.gradient(self.volts, self.amps))

    def at(self, amps: float | Array) -> Array:
        """Voltage at any current within the curve [V]."""
        return np.asarray(np.interp(amps, self.amps, self.volts))

    def percent(self, amps: float) -> float:
        """Regulation: rise from that load to none, in percent of the loaded voltage."""
        loaded = float(self.at(amps))
        return 100.0 * (float(self.at(0.0)) - loaded) / loaded

    def headline(self) -> str:
        """Ends of the curve."""
        return (
            f"{self.node} gives {self.volts[0]:.3g} V at {self.amps[0] * 1e3:.3g} mA, "
            f"{self.volts[-1]:.3g} V at {self.amps[-1] * 1e3:.3g} mA"
        )

    def short(self) -> list[Table]:
        """Every third point of the curve, both ends among them."""
        curve = self.table("curve")
        return [replace(curve, rows=[*curve.rows[:-1:3], curve.rows[-1]])]

    def tables(self) -> list[Table]:
        """One row per current."""
        heads = headed("load current [A]", "average [V]", "ripple p-p [V]", "source resistance [ohm]")
        rows = list(zip(self.amps, self.volts, self.ripple_pp_v, self.source_ohms, strict=True))
        return [Table(f"Regulation of {self.node}", heads, rows, key="curve")]


def regulation(
    circuit: Circuit, node: str, amps: Sequence[float] | Array, *, frequency_hz: float, samples: int = SAMPLES
) -> Regulation:
    """The mean voltage of a node for each current drawn from it to ground, in one batch.

    Parameters
    ----------
    circuit
        The circuit, or a batch of them (arrays in its parts).
    node
        Node the current is drawn from.
    amps
        Rising, two or more [A]. What else loads the node stays as it is.
    frequency_hz
        Line frequency [Hz].
    samples
        Points per cycle, even.

    Returns
    -------
    Regulation
        Mean volts and ripple of the node for each current.

    Raises
    ------
    CircuitError
        No such node, the circuit is a batch already, or currents that do not rise.

    Examples
    --------
    >>> from tubekit.circuit.parts import Capacitor, Rectifier, Resistor, VoltageSource
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> half = Circuit((VoltageSource("T1", "s", "ground", ac=400.0), Resistor("R1", "s", "a", 100.0),
    ...                 Rectifier("V1", TubeDiode.from_drop(50.0, 0.125), "a", "b"),
    ...                 Capacitor("C1", "b", "ground", 20e-6)))
    >>> curve = regulation(half, "b", [0.0, 0.02, 0.05], frequency_hz=60.0)
    >>> bool((np.diff(curve.volts) < 0).all())
    True
    """
    drawn = np.asarray(amps, float)
    if drawn.ndim != 1 or len(drawn) < 2 or not (np.diff(drawn) > 0).all():
        raise CircuitError("a load curve needs two or more rising currents", part=node)
    if node not in circuit.nodes:
        raise CircuitError("no such node", part=node, near=near_matches(node, circuit.nodes))
    loaded = circuit.with_parts(CurrentSource(LOAD, node, GROUND, drawn))
    state = mains_steady_state(loaded, frequency_hz=frequency_hz, samples=samples)
    return Regulation(node, drawn, state.mean(node), state.ripple_pp(node), state=state)

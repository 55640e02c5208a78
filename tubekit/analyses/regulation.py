"""How far a rail falls as it is loaded: the regulation curve of a supply.

Loads that are no resistor: what a loudspeaker or a series reactance shows at each harmonic.

Eddy currents in the pole piece screen a voice coil from its core: its impedance rises in proportion to
frequency at first, and about as the square root of frequency from a few kHz on. In a circuit the pole piece
is two shorted turns, which every analysis can solve.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from tubekit.analyses.mains import SAMPLES, MainsState, mains_steady_state
from tubekit.circuit.parts import GROUND, Circuit, CurrentSource
from tubekit.errors import CircuitError, InputError, near_matches
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity

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


LOSS_HZ = 3e3
"""From here on a voice coil's impedance rises as the square root of frequency; common practice, no source."""
TURNS = ((0.6301, 0.7145), (0.2558, 0.1184))
"""Share of the inductance coupled to each shorted turn, and its time constant times 2 pi LOSS_HZ.

Least squares on ``1 / sqrt(1 + j f / LOSS_HZ)`` from 100 Hz to 40 kHz, computed for this project: within
0.3 dB and 2 degrees.
"""


def voice_coil(
    henries: float | npt.NDArray[np.float64], loss_hz: float | npt.NDArray[np.float64] = LOSS_HZ
) -> tuple[tuple[float | npt.NDArray[np.float64], ...], npt.NDArray[np.float64]]:
    """A lossy voice coil as coupled coils: itself and two shorted turns.

    Parameters
    ----------
    henries : inductance well below `loss_hz` [H], one value or (N,).
    loss_hz : where the rise bends from ``f`` to ``sqrt(f)`` [Hz].

    Returns
    -------
    Resistances of the two shorted turns [Ω], and the inductance matrix (..., 3, 3) [H] with the coil first.

    Source: semi-inductance of a coil on solid iron, any acoustics textbook (from memory).

    Examples
    --------
    >>> turns, coils = voice_coil(0.5e-3)
    >>> s = 2j * np.pi * 10e3
    >>> into_turns = [s * coils[0, k] ** 2 / (coils[k, k] + r / s) for k, r in enumerate(turns, 1)]
    >>> bool(abs(abs(s * coils[0, 0] - sum(into_turns)) / abs(SpeakerLoad().coil(10e3)) - 1) < 0.03)
    True
    """
    whole = np.asarray(henries, float)
    coils = np.zeros((*whole.shape, 3, 3))
    coils[..., 0, 0] = whole
    ohms = []
    for k, (share, lag) in enumerate(TURNS, 1):
        part = share * whole
        coils[..., k, k] = coils[..., 0, k] = coils[..., k, 0] = part
        ohms.append(part * 2 * np.pi * np.asarray(loss_hz) / lag)
    return tuple(ohms), coils


@dataclass(frozen=True)
class SpeakerLoad:
    """Voice coil in series with the resonance of the cone.

    ``Z = Re + jωL/sqrt(1 + jf/fe) + Rs/(1 + jQ(f/f0 - f0/f))``, with Rs the rise at resonance and fe where
    eddy currents begin to screen the coil.

    Parameters
    ----------
    ohms : nominal impedance [Ω].
    resistance : of the voice coil [Ω].
    inductance : of the voice coil below `loss_hz` [H].
    loss_hz : fe [Hz].
    resonance_hz : f0 [Hz].
    resonance_ohms : impedance at resonance, Re + Rs [Ω].
    q : sharpness Q of the rise; 4 is common practice for an open-backed cabinet, no source.

    Source: equivalent circuit of a moving-coil loudspeaker, any acoustics textbook. The defaults are of
    no particular loudspeaker: common practice, no source.

    Examples
    --------
    >>> speaker = SpeakerLoad()
    >>> np.abs(speaker.impedance([90.0, 400.0])).round(1)
    array([40. ,  6.6])
    """

    ohms: float = 8.0
    resistance: float = 6.4
    inductance: float = 0.5e-3
    resonance_hz: float = 90.0
    resonance_ohms: float = 40.0
    q: float = 4.0
    loss_hz: float = LOSS_HZ

    def __post_init__(self) -> None:
        for name in ("ohms", "resistance", "resonance_hz", "q", "loss_hz"):
            if not getattr(self, name) > 0:
                raise InputError(f"{name} {getattr(self, name)!r} is not above zero", part="loudspeaker")
        if self.inductance < 0 or self.resonance_ohms < self.resistance:
            raise InputError(
                "the rise at resonance is below the voice coil, or the inductance below zero",
                part="loudspeaker",
                fix="Give resonance_ohms= at least as large as resistance=",
            )  # fmt: skip

    def coil(self, frequency_hz: npt.ArrayLike) -> npt.NDArray[np.complex128]:
        """Impedance of the voice coil's inductance with its losses, without its copper [Ω]."""
        f = np.asarray(frequency_hz, float)
        return np.asarray(2j * np.pi * f * self.inductance / np.sqrt(1 + 1j * f / self.loss_hz))

    def impedance(self, frequency_hz: npt.ArrayLike) -> npt.NDArray[np.complex128]:
        """Impedance [Ω] at frequencies above zero [Hz], in their shape."""
        f = np.asarray(frequency_hz, float)
        rise = (self.resonance_ohms - self.resistance) / (
            1.0 + 1j * self.q * (f / self.resonance_hz - self.resonance_hz / f)
        )
        return np.asarray(self.resistance + self.coil(f) + rise)


USUAL = SpeakerLoad()
"""A usual loudspeaker: what is not stated of one is scaled from it; common practice, no source."""


def series_reactance(ohms: float, orders: npt.NDArray[np.int_]) -> npt.NDArray[np.complex128]:
    """J X at harmonic `orders` of a coil (ohms above zero) or capacitor (below) of `ohms` at the first."""
    some = np.maximum(orders, 1)
    return np.asarray(1j * ohms * (some if ohms >= 0 else 1.0 / some), complex)

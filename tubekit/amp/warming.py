"""Cathodes that warm up after switch-on and cool after switch-off.

Emission rises as 1 - exp(-(t/τ)^k) and falls as exp(-(t/τ)^k), through the two times of
data/handbook/warm_up.csv: common practice, no source. A cathode that is not yet warm is a law whose
current is scaled (as a worn one).

A series string of heaters from cold: which of them takes too much of the voltage at first.

Each heater is one hot body: its resistance goes as T^1.2 and the heat it loses as T^4.13, which is the law of
`devices.heater` (I ~ V^0.55) once it has settled. How much heat it holds follows from the makers' test of
tubes with controlled warm-up: on four times its rated voltage, behind three times its rated resistance, a
heater has 80 % of its voltage after 11 s (from memory). Small tubes are taken as such, other kinds in
proportion to the times of their cathodes (data/handbook/warm_up.csv; common practice, no source). The ends
of a wire outside its cathode are hotter than the rest and flash sooner: that is not in it. Rectifiers draw
nothing meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy

from tubekit.amp.amp import Amp
from tubekit.amp.build import build
from tubekit.amp.parts import Lamp, Thermistor, Tube
from tubekit.amp.parts.part import HEAT
from tubekit.amp.parts.resistors import COLD_K
from tubekit.amp.parts.tubes import RectifierTube, heater_string
from tubekit.circuit.network import assemble
from tubekit.circuit.parts import Device, Rectifier, Resistor
from tubekit.circuit.reduction import solve_linear
from tubekit.circuit.stamps import pair
from tubekit.devices import catalogue
from tubekit.devices.heater import COLD_HEATER, COLD_LAMP, POWER, slower
from tubekit.devices.rectifier import SiliconDiode
from tubekit.result_fields import Array
from tubekit.tables import handbook
from tubekit.text import quantity
from tubekit.units import show

POWER_FROM_W = 5.0
"""Plate dissipation from which a tube counts as an output tube [W]; common practice."""
WORDS = "warm-up times are a shop rule of thumb"
TENTH = np.log(np.log(10.0) / np.log(10.0 / 9.0))


def cathode_kind(type_: str) -> str:
    """Line of the warm-up table that a tube type goes by.

    Examples
    --------
    >>> [cathode_kind(name) for name in ("5Y3GT", "5AR4", "silicon", "12AX7", "6L6GC")]
    ['filament', 'indirect rectifier', 'silicon', 'indirect small', 'indirect power']
    """
    tube = catalogue.tube(type_)
    if isinstance(tube.law, SiliconDiode):
        return "silicon"
    if "rectifier" in tube.kind:
        return "filament" if tube.directly_heated else "indirect rectifier"
    return "indirect power" if (tube.ratings.plate_w or 0.0) >= POWER_FROM_W else "indirect small"


@cache
def _shape(kind: str, falling: bool) -> tuple[float, float]:
    """τ [s] and k; (0, 1) for what needs no time."""
    row = handbook("warm_up", cathode=kind)[0]
    names = (
        ("cools_to_90_percent_s", "cools_to_10_percent_s")
        if falling
        else ("to_10_percent_s", "to_90_percent_s")
    )
    early, late = (row.number(name) for name in names)
    if late == 0.0:
        return 0.0, 1.0
    k = float(TENTH / np.log(late / early))
    return float(late / np.log(10.0) ** (1.0 / k)), k


def warmth(kind: str, seconds: float) -> float:
    """Emission after the heater is switched on, 1 is warm.

    Examples
    --------
    >>> [round(warmth("filament", t), 2) for t in (0.0, 0.8, 3.0, 30.0)]
    [0.0, 0.1, 0.9, 1.0]
    """
    tau, k = _shape(kind, False)
    return 1.0 if tau == 0.0 else float(-np.expm1(-((max(seconds, 0.0) / tau) ** k)))


def cooled(kind: str, seconds: float) -> float:
    """Emission after the heater is switched off, 1 is warm.

    Examples
    --------
    >>> [round(cooled("indirect power", t), 2) for t in (0.0, 5.0, 25.0)]
    [1.0, 0.9, 0.1]
    """
    tau, k = _shape(kind, True)
    return 1.0 if tau == 0.0 else float(np.exp(-((max(seconds, 0.0) / tau) ** k)))


def settling_s(amp: Amp, heat: float) -> float:
    """Time the slowest cathode takes to settle at a share of its heater voltage [s], rounded up.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> settling_s(load_amp("teasel"), 1.0), settling_s(load_amp("teasel"), 0.25)
    (20.0, 100.0)
    """
    late = [handbook("warm_up", cathode=kind)[0].number("to_90_percent_s") for kind in cathodes(amp).values()]
    return float(10.0 * np.ceil(0.1 * max(late, default=0.0) * slower(heat)))


def cathodes(amp: Amp) -> dict[str, str]:
    """The kind of cathode of every tube section and rectifier plate of an amp, by their names."""
    result: dict[str, str] = {}
    for part in amp.parts.values():
        if isinstance(part, Tube):
            kind = cathode_kind(part.type if isinstance(part.type, str) else part.type[0])
            if isinstance(part, RectifierTube):
                result |= {f"{part.designator}.{k}": kind for k in range(1, len(part.plates) + 1)}
            result |= {section.name: kind for section in part.sections}
    return result


def emission(amp: Amp, curve: Callable[[str, float], float]) -> Callable[[str, float], float]:
    """Emission by section and time, for a run: `curve` is `warmth` or `cooled`."""
    kinds = cathodes(amp)
    return lambda name, time: curve(kinds.get(name, "silicon"), time)


OHMS_POWER = 1.2
"""Resistance of tungsten goes as this power of its temperature (textbook, from memory)."""
LOSS_POWER = OHMS_POWER * (2.0 - POWER) / POWER
CONTROLLED_S, TEST_SERIES, TESTED_VOLTS = 11.0, 3.0, 0.8
"""Test of controlled warm-up: seconds, series resistance and final voltage over the rated ones (memory)."""
TESTED_OHMS = TEST_SERIES * TESTED_VOLTS / (1.0 + TEST_SERIES - TESTED_VOLTS)
LAMP_S = 0.1
"""Time in which a pilot lamp is hot [s]; from memory."""
SECONDS = 120.0
"""How long a string is followed [s]."""
FLASHES = 1.5
"""Times its rated voltage from which a heater is said to be at risk; common practice, no source."""
STRING_WORDS = (
    "Heaters in series: calculated for tubes with controlled warm-up (11 s, a usual time, not checked in a "
    "data sheet). Other tubes differ more, and the wire ends outside the cathode flash sooner."
)


@dataclass(frozen=True, eq=False)
class HeaterSurge:
    """One heater of a series string while it warms up."""

    tube: str
    rated_v: float = quantity("V", "V_r", "rated voltage", label="rated V")
    first_v: float = quantity("V", "V_0", "voltage at switch-on, with all heaters cold")
    highest_v: float = quantity("V", "V_max", "highest voltage", label="peak V")
    at_s: float = quantity("s", "t_max", "when", label="reached at")
    warm_v: float = quantity("V", "V_end", "voltage in the end")

    @property
    def times(self) -> float:
        """Highest voltage over the rated one."""
        return self.highest_v / self.rated_v

    @property
    def words(self) -> str:
        """Words for how far above its rated voltage it goes."""
        if self.times < FLASHES:
            return f"{self.times:.2g} times its rated voltage at most"
        return f"{self.times:.2g} TIMES ITS RATED VOLTAGE: it may flash and open"

    @property
    def sentence(self) -> str:
        """The same as a clause, the tube first."""
        return (
            f"the heater of {self.tube} gets {show(self.highest_v, 'V')} after {self.at_s:.2g} s, "
            f"{self.times:.2g} times its rated voltage"
        )


@dataclass(frozen=True)
class HotWire:
    """Heat and resistance of a hot wire over those at its rated voltage; state T, 1 at rated voltage."""

    watts: float
    cold: float
    seconds: float  # heat it holds at its rated voltage, over its rated power

    @property
    def start(self) -> float:
        """Temperature of a cold wire over that of a hot one."""
        return float(self.cold ** (1.0 / OHMS_POWER))

    def ohms(self, t: float) -> float:
        """Resistance over the cold one."""
        return float(max(t, self.start) ** OHMS_POWER / self.cold)

    def rate(self, t: float, watts: float) -> float:
        """Rate at which it warms [1/s] while it takes so many watts."""
        return float((watts / self.watts - t**LOSS_POWER + self.start**LOSS_POWER) / self.seconds)


@dataclass(frozen=True)
class Body:
    """What warms up: its resistors in the circuit, their cold resistance, its power when hot."""

    designator: str
    wires: tuple[str, ...]
    law: HotWire | Thermistor


@cache
def held_s(kind: str) -> float:
    """Heat a heater of this kind of cathode holds when hot, over its rated power [s].

    Examples
    --------
    >>> round(held_s("indirect small"), 1)
    9.1
    """
    row, small = (handbook("warm_up", cathode=one)[0] for one in (kind, "indirect small"))
    tested_s = CONTROLLED_S * row.number("to_90_percent_s") / small.number("to_90_percent_s")
    cold, hot = (each ** (1.0 / OHMS_POWER) for each in (COLD_HEATER, TESTED_OHMS))
    once, _ = scipy.integrate.quad(
        lambda t: 1.0 / (_tested(t**OHMS_POWER) - t**LOSS_POWER + cold**LOSS_POWER), cold, hot
    )
    return float(tested_s / once)


def _tested(ohms: float) -> float:
    """Power of a heater over its rated one in the test circuit, by its resistance over its rated one."""
    return (1.0 + TEST_SERIES) ** 2 * ohms / (ohms + TEST_SERIES) ** 2


def string_start(amp: Amp) -> tuple[HeaterSurge, ...]:
    """Voltages of the heaters of a series string after switch-on; none where no two are in series.

    Parameters
    ----------
    amp : at the line voltage in use; not a batch.
    """
    string = heater_string(amp.parts)
    if len(string) < 2:
        return ()
    circuit = build(amp, {HEAT: 0.0}).circuit
    left_out = [one.name for one in circuit.of(Device)] + [one.name for one in circuit.of(Rectifier)]
    bare = circuit.without(*left_out)
    wires = {one.name: one for one in bare.of(Resistor)}
    bodies = [body for part in amp.parts.values() if (body := _body(part, string, wires)) is not None]
    network, names = assemble(bare), [name for body in bodies for name in body.wires]
    owner = np.array([k for k, body in enumerate(bodies) for _ in body.wires])
    cold = np.array([float(np.asarray(wires[name].ohms)) for name in names])
    total = network.conductance.shape[1]
    ends = np.array([pair(total, network.index, wires[name].a, wires[name].b) for name in names])
    matrix = network.conductance + 2j * np.pi * amp.mains_hz * network.storage
    right = np.concatenate([network.ac[0][:, None] / np.sqrt(2.0), ends.T], axis=1)
    result = ends @ solve_linear(network, matrix, right[None])[0]
    open_, between = result[:, 0], result[:, 1:]

    def ohms(state: Array) -> Array:
        each = np.array([_ohms(body.law, t) for body, t in zip(bodies, state, strict=True)])
        return np.asarray(cold * each[owner])

    def volts(state: Array) -> Array:
        more = 1.0 / ohms(state) - 1.0 / cold
        return np.asarray(np.abs(np.linalg.solve(np.eye(len(names)) + between * more, open_)))

    def rate(_time: float, state: Array) -> list[float]:
        watts = np.bincount(owner, volts(state) ** 2 / ohms(state))
        return [_rate(body.law, t, w) for body, t, w in zip(bodies, state, watts, strict=True)]

    start = [COLD_K if isinstance(body.law, Thermistor) else body.law.start for body in bodies]
    run = scipy.integrate.solve_ivp(
        rate, (0.0, SECONDS), start, method="LSODA", rtol=1e-4, atol=1e-6, max_step=0.5
    )
    across = np.array([np.bincount(owner, volts(state)) for state in run.y.T])
    return tuple(
        HeaterSurge(
            body.designator, _rated(amp, body.designator), float(each[0]), float(each.max()),
            float(run.t[each.argmax()]), float(each[-1]),
        )
        for body, each in zip(bodies, across.T, strict=True)
        if isinstance(amp.parts[body.designator], Tube)
    )  # fmt: skip


def _rated(amp: Amp, designator: str) -> float:
    part = amp.parts[designator]
    assert isinstance(part, Tube)
    return part.heater_rating()[0]


def _body(part: object, string: tuple[Tube, ...], wires: dict[str, Resistor]) -> Body | None:
    if isinstance(part, Thermistor) and part.designator in wires:
        return Body(part.designator, (part.designator,), part)
    if isinstance(part, Lamp) and part.designator in wires:
        volts, amps = part.rating
        return Body(part.designator, (part.designator,), HotWire(volts * amps, COLD_LAMP, LAMP_S))
    if not isinstance(part, Tube) or part not in string:
        return None
    volts, amps = part.heater_rating()
    names = tuple(name for name in wires if name.startswith(f"{part.designator}.heater"))
    return (
        Body(part.designator, names, HotWire(volts * amps, COLD_HEATER, held_s(cathode_kind(part.types[0]))))
        if names
        else None
    )


def _ohms(law: HotWire | Thermistor, state: float) -> float:
    """Resistance over the cold one."""
    if isinstance(law, HotWire):
        return law.ohms(state)
    return float(np.exp(law.law[0] * (1.0 / state - 1.0 / COLD_K)))


def _rate(law: HotWire | Thermistor, state: float, watts: float) -> float:
    if isinstance(law, HotWire):
        return law.rate(state, watts)
    _, loss = law.law
    return float((watts / loss - (state - COLD_K)) / law.seconds)

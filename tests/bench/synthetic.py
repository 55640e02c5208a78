"""Amps that exist only as numbers, with or without a fault: what a meter would show on them.

Made apart from what judges them: an open part is not there, a short is a wire, a dead tube is pulled; every
node is solved by Newton on the whole network, the mains cycle at 256 samples, and the meter is a resistor
across each place in turn. Only the spread of good parts is common to both, and when a fuse opens.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.bench.other_laws import plain
from tubekit.amp import Amp
from tubekit.amp.build import build
from tubekit.amp.parts import Fuse
from tubekit.amp.parts.faults import (
    GAS,
    GONE,
    LEAK,
    NO_LEAK,
    OPEN_OHMS,
    SHORT_OHMS,
    CircuitParameter,
    Fault,
    Variable,
)
from tubekit.amp.settings import apply_settings, combine_settings
from tubekit.analyses.operating_point import Feed, OperatingPoint, solve_network
from tubekit.analyses.supply import Supply
from tubekit.analyses.time_stepper import Convergence
from tubekit.bench.faults import OPENS, with_fault
from tubekit.circuit.full import solve_full
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Circuit,
    CurrentSource,
    Device,
    Part,
    Rectifier,
    Resistor,
    VoltageSource,
    Windings,
    Wire,
)
from tubekit.decisions.probe import Probe, Tone, resistance, signal

Array = np.ndarray
Laws = dict[str, object]
Settings = dict[CircuitParameter, tuple[Array, Array]]

ENOUGH_V = 1e-6
"""Newton on all nodes stops here [V]: beside leaks of 1e12 ohms rounding may be above its usual limit."""


@dataclass(frozen=True, eq=False)
class Case:
    """One synthetic amp: its fault (None for a good one) and the readings of its meter."""

    fault: Fault | None
    values: Array


def draw_case(
    rng: np.random.Generator,
    amp: Amp,
    fault: Fault | None,
    varied: Sequence[Variable],
    probes: Sequence[Probe],
    *,
    tone: Tone | None = None,
    accuracy: float = 0.015,
    meter_ohms: float = 10e6,
    laws: Laws | None = None,
) -> Case | None:
    """Readings of an amp with good parts drawn and one fault; None where it has no state."""
    settings = combine_settings([(v.turns, v.draw(rng, 1)) for v in varied], 1)
    there = with_fault(amp, fault) if fault is not None else amp
    if fault is not None and fault.grades:
        settings |= _harmed(rng, fault, settings)
    try:
        values = _powered(there, settings, laws, probes, tone, meter_ohms)
    except (ArithmeticError, np.linalg.LinAlgError):
        return None
    if not np.isfinite(values).all():
        return None
    return Case(fault, values * (1 + rng.uniform(-accuracy, accuracy, len(values))))


def _powered(
    amp: Amp, settings: Settings, laws: Laws | None, probes: Sequence[Probe], tone: Tone | None,
    meter_ohms: float,
) -> Array:  # fmt: skip
    """What the meter shows with the power on, once the fuse that carries far too much has opened."""
    circuit = _circuit(amp, settings, laws)
    point, spectrum = _full_mains(circuit, amp.mains_hz)
    values = _shown(amp, circuit, point, spectrum, probes, tone, meter_ohms)
    fuse = _opened(amp, circuit, point.network, spectrum)
    if fuse in amp.line_side.fuses:
        return np.where([probe.quantity == "ohms" for probe in probes], values, 0.0)
    return values if fuse is None else _powered(
        amp.changed({fuse: "open"}), settings, laws, probes, tone, meter_ohms
    )  # fmt: skip


def _opened(amp: Amp, circuit: Circuit, network: Network, spectrum: Array) -> str | None:
    """The fuse that carries most of its rating, where that is too much."""
    times = {}
    for part in circuit.of(Resistor):
        fuse = amp.parts.get(part.name)
        if isinstance(fuse, Fuse):
            across = (_pick(network, spectrum, part.a) - _pick(network, spectrum, part.b))[0]
            rms = np.sqrt(across[0].real ** 2 + 0.5 * (np.abs(across[1:]) ** 2).sum())
            times[part.name] = float(rms / part.ohms / fuse.amps)
    worst = max(times, key=lambda name: times[name], default=None)
    return worst if worst and times[worst] > OPENS else None


def _harmed(rng: np.random.Generator, fault: Fault, good: Settings) -> Settings:
    """The knobs of a fault, its severity anywhere between slightest and gravest grade."""
    grades = fault.grades
    k = 0 if len(grades) == 1 else int(rng.integers(len(grades) - fault.path))
    share = 0.0 if len(grades) == 1 or not fault.path else float(rng.random())
    after = grades[min(k + 1, len(grades) - 1)]
    settings = {}
    for parameter, (factor, addend) in grades[k].items():
        factor_after, addend_after = after[parameter] if share else (factor, addend)
        own = np.exp((1 - share) * np.log(factor) + share * np.log(factor_after))
        more = (1 - share) * addend + share * addend_after
        base, added = (
            (np.ones(1), np.zeros(1))
            if parameter.part.endswith(LEAK)
            else good.get(parameter, (np.ones(1), np.zeros(1)))
        )
        settings[parameter] = (base * own, added + more)
    return settings


def _circuit(amp: Amp, settings: Settings, laws: Laws | None) -> Circuit:
    circuit = build(amp).circuit
    if laws:
        circuit = Circuit(
            tuple(dataclasses.replace(p, law=laws[p.name]) if p.name in laws else p for p in circuit.parts),
            circuit.title,
        )
    extra: list[Part] = []
    for part in circuit.parts:
        leak, gas = CircuitParameter(part.name + LEAK, "ohms"), CircuitParameter(part.name + GAS, "amps")
        if leak in settings and isinstance(part, Capacitor):
            extra.append(Resistor(leak.part, part.a, part.b, NO_LEAK))
        if gas in settings and isinstance(part, Device):
            extra.append(CurrentSource(gas.part, GROUND, part.terminals[-1], 0.0))
    whole = circuit.with_parts(*extra)
    here = {part.name for part in whole.parts}
    known = {parameter: value for parameter, value in settings.items() if parameter.part in here}
    return Circuit(
        tuple(p for part in apply_settings(whole, known).parts for p in _as_found(part, whole)), whole.title
    )


def _as_found(part: Part, before: Circuit) -> list[Part]:  # noqa: PLR0911 - one answer per kind
    """Opens are left out, shorts are wires, dead tubes are pulled; single values are plain numbers."""
    if isinstance(part, Resistor):
        ohms = float(np.ravel(part.ohms)[0])
        if ohms >= 0.3 * OPEN_OHMS and not part.name.endswith(LEAK):
            return []
        drawn = next(p for p in before.parts if p.name == part.name)
        if ohms <= 3 * SHORT_OHMS and ohms < float(np.ravel(drawn.ohms)[0]):
            return [Wire(part.name, part.a, part.b)]
        return [dataclasses.replace(part, ohms=ohms)]
    if isinstance(part, Capacitor):
        drawn = next(p for p in before.parts if p.name == part.name)
        farads = float(np.ravel(part.farads)[0])
        return (
            []
            if farads < 10 * GONE * float(np.ravel(drawn.farads)[0])
            else [dataclasses.replace(part, farads=farads)]
        )
    if isinstance(part, Device | Rectifier):
        one = {name: _number(value) for name, value in part.law.parameters().items()}
        drawn = next(p for p in before.parts if p.name == part.name)
        strength = "perveance" if "perveance" in one else "saturation"
        if isinstance(part, Device) and one[strength] < 10 * GONE * _number(drawn.law.parameters()[strength]):
            return []
        return [dataclasses.replace(part, law=dataclasses.replace(part.law, **one))]
    if isinstance(part, Windings):
        henries = np.asarray(part.henries)
        square = henries[0] if henries.ndim == 3 else henries
        return [dataclasses.replace(part, ohms=tuple(map(_number, part.ohms)), henries=square)]
    if isinstance(part, VoltageSource):
        return [dataclasses.replace(part, ac=_number(part.ac))]
    if isinstance(part, CurrentSource):
        return [dataclasses.replace(part, dc=_number(part.dc))]
    return [part]


def _number(value: object) -> float:
    return float(np.ravel(value)[0])  # type: ignore[arg-type]


def _full_mains(circuit: Circuit, hz: float) -> tuple[OperatingPoint, Array]:
    """Supply and tubes in turn, the tubes by Newton on all nodes."""
    network = assemble(circuit)
    supply = Supply(network, hz, 256)
    point, cycle = _on_all_nodes(network, supply.guess(), None), None
    if not point.convergence.converged.all():  # a better place to start from
        near = solve_network(network, supply.guess())
        point = _on_all_nodes(network, supply.guess(), near.unknowns)
    for _ in range(25):
        answer = supply.cycle(point, cycle)
        cycle = answer.cycle
        point = _on_all_nodes(network, answer.feed, point.unknowns)
        if np.abs(answer.mean - point.unknowns)[:, : network.node_count].max() < 1e-5:
            break
    else:
        raise ArithmeticError("supply and tubes do not agree")
    if not point.convergence.converged.all():
        raise ArithmeticError("no idle state")
    return point, answer.spectrum(answer.mean, np.ones(1, bool))


def _on_all_nodes(network: Network, feed: Feed, start: Array | None) -> OperatingPoint:
    """Newton on the whole network, the rectifiers as what they feed."""
    unknowns, result = solve_full(feed.into(network), start, ENOUGH_V)
    means = feed.at(unknowns @ network.rectifier_incidence)
    text = Convergence(
        result.converged, result.iterations, result.error, "V", result.method, np.full(len(unknowns), np.nan)
    )
    return OperatingPoint(
        network.circuit, unknowns, result.volts, result.currents, means, network=network, feed=feed,
        slopes=result.slopes, convergence=text,
    )  # fmt: skip


def _shown(
    amp: Amp, circuit: Circuit, point: OperatingPoint, spectrum: Array, probes: Sequence[Probe],
    tone: Tone | None, meter_ohms: float,
) -> Array:  # fmt: skip
    network, values = point.network, np.zeros(len(probes))
    direct = [k for k, probe in enumerate(probes) if probe.quantity == "dc_v"]
    values[direct] = _loaded(circuit, point, [probes[k].place for k in direct], meter_ohms)
    for k, probe in enumerate(probes):
        one, two = probe.place
        if probe.quantity == "dc_a":
            there = any(name == one for name, _ in network.port_names)
            values[k] = float(np.ravel(point.current(one, two))[0]) if there else 0.0
        elif probe.quantity.startswith(("ripple", "ac")):
            wave = _pick(network, spectrum, one) - _pick(network, spectrum, two)
            values[k] = _alternating(wave[0], probe.quantity)
        elif probe.quantity == "ohms":
            values[k] = resistance(circuit, [probe.place])[0, 0]
        elif probe.quantity == "signal_rms_v":
            assert tone is not None
            own = dataclasses.replace(tone, frequency_hz=probe.frequency_hz or tone.frequency_hz)
            volts, z = signal(amp, point, [probe.place], own)
            values[k] = volts[0, 0] * abs(meter_ohms / (meter_ohms + z[0, 0]))
    return values


def _pick(network, spectrum: Array, node: str) -> Array:  # type: ignore[no-untyped-def]
    return network.pick(spectrum, node) if node in network.index else np.zeros(spectrum.shape[:-1])


def _loaded(circuit: Circuit, point: OperatingPoint, places: Sequence[tuple[str, str]], ohms: float) -> Array:
    """DC volts with the meter's resistance in the circuit, at one place after the other; the rectifiers
    follow as they did about the cycle without it.
    """
    known = [p for p in places if all(node == GROUND or node in point.network.index for node in p)]
    away = np.full((len(known), len(known)), 1e14) - np.eye(len(known)) * (1e14 - ohms)
    meters = [Resistor(f"meter {k}", *place, away[k]) for k, place in enumerate(known)]
    metered = assemble(circuit.with_parts(*meters))
    result = _on_all_nodes(metered, point.feed, np.repeat(point.unknowns, len(known), axis=0))
    values = {p: metered.pick(result.unknowns, p[0])[k] - metered.pick(result.unknowns, p[1])[k]
              for k, p in enumerate(known)}  # fmt: skip
    return np.array([values.get(place, 0.0) for place in places])


def _alternating(phasors: Array, quantity: str) -> float:
    moving = phasors.copy()
    moving[0] = 0.0
    if quantity.endswith("rms_v"):
        return float(np.sqrt(0.5 * (np.abs(moving) ** 2).sum()))
    fine = 2048
    padded = np.zeros(fine // 2 + 1, complex)
    padded[: len(moving)] = moving * fine / 2
    return float(np.ptp(np.fft.irfft(padded, fine)))


def plain_laws(amp: Amp) -> Laws:
    """A plain three-halves law for every tube section, met at its idle point."""
    circuit = build(amp).circuit
    point, _ = _full_mains(circuit, amp.mains_hz)
    laws: Laws = {}
    for device in circuit.of(Device):
        columns = [k for k, (name, _) in enumerate(point.network.port_names) if name == device.name]
        laws[device.name] = plain(device.law, point.port_volts[0, columns])
    return laws

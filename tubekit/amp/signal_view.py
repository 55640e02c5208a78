"""An amp as the signal sees it: a generator in one input jack, speaker or output jack at the other end.

Supply and tubes are solved as for any report; then the strays and the generator are laid on, neither of
which moves the idle point. Rectifiers count as open, rails as their filter capacitors.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import AssumedValue, assumed_values, build, heater_strays, signal_strays
from tubekit.amp.parts import GROUND, Jack, Loudspeaker, Potentiometer, input_jacks
from tubekit.amp.parts.resistors import END_RESISTANCE
from tubekit.amp.signal_order import Output, in_parallel, load_of, output_of, outputs_of, signal_order
from tubekit.amp.solve import SolvedAmp, solve_amp
from tubekit.amp.solved_dangers import solved_dangers
from tubekit.amp.stability import Stability, held_still, stability
from tubekit.analyses.elimination import respond
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.analyses.part_sensitivity import across, picker
from tubekit.circuit import parts as wired
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.parts import Circuit
from tubekit.devices.potentiometer import fraction
from tubekit.errors import ChangeError, Note, near_matches
from tubekit.result_fields import Array
from tubekit.units import show

GENERATOR = "generator"
SOURCE_OHMS = 600.0
"""Resistance of the generator at the jack [Ω]: a bench generator; common practice, no source."""
BIAS_V = 0.05
"""From this direct voltage on a jack carries bias [V]; common practice, no source."""
OPEN_OHMS = 1e12
"""What an open wiper is taken for [Ω]."""


@dataclass(frozen=True, eq=False)
class SignalView:
    """One amp (or a batch) with a generator at `jack`; levels are read at `output`."""

    amp: Amp
    solved: SolvedAmp
    point: OperatingPoint
    stability: Stability
    jack: Jack
    output: Output
    source_ohms: float
    wipers: Mapping[str, float]

    @cached_property
    def idle_dangers(self) -> tuple[Note, ...]:
        """Dangers that show once the amp is solved."""
        return solved_dangers(self.solved, self.stability)

    @property
    def network(self) -> Network:
        """The matrices, strays and generator included."""
        return self.point.network

    @cached_property
    def matrix(self) -> Array:
        """G with the tubes' slopes, (N, n, n)."""
        return linearised(self.network, list(self.point.slopes))

    @property
    def drive(self) -> Array:
        """Column of inputs for 1 V of the generator's electromotive force, (n,)."""
        ohms = SOURCE_OHMS if self.empty else self.source_ohms
        return picker(self.network, self.jack.tip, self.jack.sleeve) / ohms

    @property
    def empty(self) -> bool:
        """Whether nothing is plugged in."""
        return bool(np.isinf(self.source_ohms))

    def _generator_words(self) -> str:
        if self.empty:
            return self.input_words
        words = f"Generator of {self.source_ohms:g} Ω at {self.jack.designator}"
        return words + (", through a capacitor, because the grid bias is at the jack" if self.blocked else "")

    @property
    def input_words(self) -> str:
        """Words for what is in each input jack."""
        own = (
            ()
            if self.empty
            else (f"Plug a {self.source_ohms:g} Ω resistor into {self.jack.designator} (no signal).",)
        )
        return " ".join((*own, *empty_inputs(self.amp)))

    @property
    def out(self) -> Array:
        """Row that reads the voltage at the output."""
        return picker(self.network, self.output.a, self.output.b)

    @property
    def tip(self) -> Array:
        """Row that reads the voltage at the input jack."""
        return picker(self.network, self.jack.tip, self.jack.sleeve)

    @property
    def blocked(self) -> bool:
        """Whether the generator needs a capacitor: its resistance would take the grid's bias away."""
        return carries_bias(self.solved, self.jack)

    @cached_property
    def load(self) -> tuple[Loudspeaker, ...]:
        """Every fitted loudspeaker on the transformer of the one whose level is read, that one first."""
        return load_of(self.amp, self.output) if isinstance(self.output, Loudspeaker) else ()

    @cached_property
    def beside(self) -> tuple[Loudspeaker, ...]:
        """Those of them that are in parallel with the one whose level is read, that one first."""
        return in_parallel(self.load) if self.load else ()

    @property
    def nominal_ohms(self) -> Array:
        """Nominal impedance of the loudspeakers in parallel [Ω]; NaN at an output jack."""
        if not self.load:
            return np.asarray(np.nan)
        return np.asarray(1.0 / sum(1.0 / np.asarray(one.ohms, float) for one in self.beside))

    @property
    def output_words(self) -> str:
        """Name of the output."""
        return "speaker" if self.load else "output jack"

    @property
    def unit(self) -> str:
        """Unit that levels are relative to: a watt in the loudspeaker, a volt at an output jack."""
        return "W" if self.load else "V"

    def db(self, volts: Array) -> Array:
        """A level at the output against 1 W in the nominal impedance, or 1 V at a jack [dB]."""
        with np.errstate(divide="ignore"):
            return np.asarray(20 * np.log10(volts / np.sqrt(self.nominal_ohms if self.load else 1.0)))

    def at_output(self, x: Array) -> Array:
        """Voltage at the output from solutions (..., n)."""
        return across(self.network, x, self.output.a, self.output.b)

    @property
    def assumptions(self) -> tuple[str, ...]:
        """Assumptions for what the drawing leaves open."""
        return (*map(str, assumed_values(self.amp)), *self.notes)

    @property
    def notes(self) -> tuple[str, ...]:
        """The same without the usual values that the amp file could state."""
        lines = [*self.solved.built.assumptions, self._generator_words()]
        lines += [note.text for note in self.stability.notes() if not note.danger]
        if len(self.load) > 1:
            others = " and ".join(one.designator for one in self.load[1:])
            lines.append(f"Levels are read at {self.output.designator}; power goes into {others} as well")
        if isinstance(self.output, Jack):
            load = self.output.load if self.output.plugged else None
            into = "nothing (no load is given)" if load is None else f"its load of {show(load, 'ohm')}"
            lines.append(f"Levels are read at {self.output.designator}, an output jack, into {into}")
        lines += [
            f"{name}: wiper {'open' if ohms >= OPEN_OHMS else f'with {ohms:g} Ω at its contact'}"
            for name, ohms in self.wipers.items()
        ]
        return tuple(lines)


def signal_view(
    amp: Amp,
    *,
    jack: str | None = None,
    source_ohms: float = SOURCE_OHMS,
    wipers: Mapping[str, float] | None = None,
    heaters: Mapping[str, float] | float | None = None,
    near: SolvedAmp | None = None,
    empty: bool = False,
) -> SignalView:
    """Put a generator into an input jack of an amp.

    Parameters
    ----------
    jack : designator of the jack; the one drawn as plugged, else the first input. The others are empty.
    source_ohms : resistance of the generator [Ω].
    wipers : contact resistance of potentiometers' wipers [Ω], inf for an open one.
    heaters : unbalance of each tube's heater couplings; None leaves those couplings out.
    near : a solution of a similar amp, to start from.
    empty : no generator: every input is empty, as its contacts leave it.

    Raises
    ------
    ChangeError : no such jack or potentiometer; an amp without input jack or without output.
    """
    if not (np.isfinite(source_ohms) and source_ohms > 0):
        raise ChangeError(f"a generator cannot have {source_ohms} Ω", where=amp.name, fix="Write 600 or 50k")
    driven, chosen = driven_at(amp, jack)
    plugged = driven.changed({f"{chosen}.plugged": False}) if empty else driven
    worn = {name: _contact(amp, name, ohms) for name, ohms in (wipers or {}).items()}
    solved = solve_amp(plugged, near)
    one = solved.amp
    result = one.parts[chosen]
    assert isinstance(result, Jack)
    output = output_of(one, signal_order(one.topology, result.tip).depth)
    parts = [*_with_wipers(solved.built.circuit, one, worn), *signal_strays(one)]
    if heaters is not None:
        parts += heater_strays(one, heaters)
    entry = result.tip
    if empty:
        source_ohms, entry = np.inf, _first_grid(driven, result)
    else:
        parts.append(wired.Resistor(GENERATOR, result.tip, result.sleeve, source_ohms))
    point, judged = _judged(solved, parts, entry, result.sleeve, output)
    view = SignalView(one, solved, point, judged, result, output, source_ohms, worn)
    if jack is None and heaters is None and not (worn or empty):
        for known in (amp, one):  # `analyze` need not solve it again
            known.__dict__["idle_dangers"] = view.idle_dangers
    return view


def carries_bias(solved: SolvedAmp, jack: Jack) -> bool:
    """Whether the bias of a grid is at a jack."""
    return bool(np.max(np.abs(solved.state.mean(jack.tip, jack.sleeve))) > BIAS_V)


def idle_signal(solved: SolvedAmp) -> tuple[OperatingPoint, Stability, Jack | None]:
    """A solved amp as the signal sees it, a generator in its usual input (the jack) where it has one.

    Its idle point with strays and a tremolo held still, and whether it oscillates.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> point, result, jack = idle_signal(analyze(load_amp("teasel")).solved)
    >>> bool(result.stable[0]), jack.designator
    (True, 'J1')
    """
    amp, circuit = solved.amp, solved.built.circuit
    result: Jack | None = None
    output: Output | None = None
    generator: list[wired.Part] = []
    if input_jacks(amp.parts):
        plugged, chosen = driven_at(amp, None)
        circuit = circuit if plugged is amp else build(plugged, solved.built.settled).circuit
        jack = plugged.parts[chosen]
        assert isinstance(jack, Jack)
        result = jack
        generator.append(wired.Resistor(GENERATOR, result.tip, result.sleeve, SOURCE_OHMS))
        output = next(outputs_of(amp, signal_order(amp.topology, jack.tip).depth), None)
    network = assemble(circuit.with_parts(*signal_strays(amp), *generator))
    point = replace(solved.state.operating_point, network=network)  # neither strays nor generator move it
    way = _way(network, result.tip, result.sleeve, output) if result and output else None
    judged = stability(amp, point, way)
    return (held_still(point, judged.oscillator) if judged.oscillator else point), judged, result


def _judged(
    solved: SolvedAmp, parts: Sequence[wired.Part], tip: str, sleeve: str, output: Output
) -> tuple[OperatingPoint, Stability]:
    """Idle point of the parts, a tremolo held still in it, and whether it is stable.

    The generator passes no direct current: of its resistance the idle point knows nothing.
    """
    circuit = solved.built.circuit.made_of(parts)
    network = assemble(circuit)
    quiet = assemble(circuit.made_of([part for part in parts if part.name != GENERATOR]))
    idle = solved.state.operating_point
    start = np.broadcast_to(idle.port_volts, (network.size, idle.port_volts.shape[1]))
    point = replace(solve_network(quiet, idle.feed, start), network=network)
    judged = stability(solved.amp, point, _way(network, tip, sleeve, output))
    return (held_still(point, judged.oscillator) if judged.oscillator else point), judged


def _first_grid(amp: Amp, jack: Jack) -> str:
    """Where the signal of a jack comes in, whatever its contact does while it is empty."""
    order = signal_order(amp.topology, jack.tip).order
    return next((s.grid for s in amp.topology.sections if s.name in order[:1]), jack.tip)


def _way(network: Network, tip: str, sleeve: str, output: Output) -> tuple[Array, Array]:
    """Column that drives the input and row that reads the output."""
    return picker(network, tip, sleeve) / SOURCE_OHMS, picker(network, output.a, output.b)


def turned(view: SignalView, settings: Mapping[str, object]) -> SignalView:
    """The same amp with its controls set otherwise: the supply is taken as it was, the tubes are solved anew.

    `settings` go by designator to positions 0 to 1, sequences of one length for a batch. Much cheaper than
    a new solve of the supply, and right as long as no control changes what the amp draws.

    Raises
    ------
    ChangeError : no such control, a position out of range.
    """
    for name in settings:
        if name not in view.amp.parts or not view.amp.parts[name].is_control:
            _contact(view.amp, name, 0.0)  # says which there are
    amp = view.amp.changed({f"{name}.position": value for name, value in settings.items()})
    point, judged = _judged(view.solved, _anew(view, amp), view.jack.tip, view.jack.sleeve, view.output)
    return replace(view, amp=amp, point=point, stability=judged)


def _anew(view: SignalView, amp: Amp) -> list[wired.Part]:
    """The parts of a view with those of another amp in the place of its own."""
    circuit, strays = build(amp, view.solved.built.settled).circuit, list(signal_strays(amp))
    known = {part.name for part in (*view.solved.built.circuit.parts, *circuit.parts, *strays)}
    laid_on = [part for part in view.point.circuit.parts if part.name not in known]
    rest = [part for part in laid_on if not part.name.endswith(".contact")]
    return [*_with_wipers(circuit, amp, view.wipers), *strays, *rest]


def without_taken(view: SignalView) -> Iterator[tuple[AssumedValue, SignalView]]:
    """Assumed values, and the view without them: none of it moves the idle point."""
    for one in assumed_values(view.amp):
        network = assemble(view.point.circuit.made_of(_anew(view, one.without)))
        yield one, replace(view, amp=one.without, point=replace(view.point, network=network))


def driven_at(amp: Amp, jack: str | None) -> tuple[Amp, str]:
    """The amp with a plug in one input jack and the other input jacks empty; and which jack that is.

    Raises
    ------
    ChangeError : there is no such input jack.
    """
    inputs = input_jacks(amp.parts)
    names = [part.designator for part in inputs]
    if not inputs:
        raise ChangeError("there is no input jack", where=amp.name, fix="Add [J1] with direction = 'input'")
    if jack is not None and jack not in names:
        raise ChangeError(
            f"there is no input jack '{jack}'", where=amp.name, fix=f"Choose one of: {', '.join(names)}",
            near=near_matches(jack, names),
        )  # fmt: skip
    chosen = jack or next((part.designator for part in inputs if part.plugged), names[0])
    moved = {part.designator: part.designator == chosen for part in inputs}
    wrong = {name: state for name, state in moved.items() if amp.parts[name].plugged != state}  # type: ignore[attr-defined]
    return (amp.changed(wrong) if wrong else amp), chosen


def nothing_plugged(amp: Amp) -> bool:
    """Whether the amp has input jacks, and every one is empty as it is drawn."""
    inputs = input_jacks(amp.parts)
    return bool(inputs) and not any(part.plugged for part in inputs)


def empty_inputs(amp: Amp) -> tuple[str, ...]:
    """Say what each empty input does: grounded by its contact, joined to another, or left open.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> empty_inputs(load_amp("teasel"))
    ('J2 is empty and joins in_low to in_high.',)
    """
    result = []
    for part in (jack for jack in input_jacks(amp.parts) if not jack.plugged):
        name = part.designator
        if part.tip_switch is None:
            result.append(f"{name} has no switch contact: with no plug in it is open and picks up hum.")
        elif part.tip_switch == GROUND:
            result.append(f"{name} is empty and grounds its tip.")
        else:
            result.append(f"{name} is empty and joins {part.tip} to {part.tip_switch}.")
    return tuple(result)


def _contact(amp: Amp, name: str, ohms: float) -> float:
    pots = [part.designator for part in amp.parts.values() if isinstance(part, Potentiometer)]
    if name not in pots:
        raise ChangeError(
            f"there is no potentiometer '{name}'", where=amp.name, near=near_matches(name, pots),
            fix=f"Choose one of: {', '.join(pots)}",
        )  # fmt: skip
    if not ohms >= 0:
        raise ChangeError(f"a wiper cannot have {ohms} Ω", where=amp.name, part=name, fix="Write 0 or more")
    return min(max(float(ohms), 1e-3), OPEN_OHMS)


def _with_wipers(circuit: Circuit, amp: Amp, worn: Mapping[str, float]) -> Iterator[wired.Part]:
    """The circuit's parts, with a contact between each worn wiper and its track."""
    halves = {f"{name}.{half}" for name in worn for half in ("top", "bottom")}
    yield from (part for part in circuit.parts if part.name not in halves)
    for name, ohms in worn.items():
        pot = amp.parts[name]
        assert isinstance(pot, Potentiometer)
        share, track = fraction(pot.position, pot.taper), f"{name} track"
        for half, a, b, portion in (
            ("top", pot.top, track, 1.0 - np.asarray(share)), ("bottom", track, pot.bottom, np.asarray(share))
        ):  # fmt: skip
            yield wired.Resistor(
                f"{name}.{half}", a, b, np.maximum(np.asarray(pot.ohms) * portion, END_RESISTANCE)
            )
        yield wired.Resistor(f"{name}.contact", track, pot.wiper, ohms)


def gain_at(view: SignalView, hertz: Array) -> Array:
    """Jack to output, complex, (N, K); not a number where nothing is plugged in."""
    rows = np.stack([view.out, view.tip])
    kept = np.flatnonzero(np.abs(rows).sum(axis=0))
    x = respond(view.network, view.matrix, view.drive, 2j * np.pi * hertz, kept.tolist())
    out, tip = (x @ rows[:, kept].T).transpose(2, 0, 1)
    return np.asarray(np.divide(out, tip, out=np.full_like(out, np.nan), where=tip != 0.0))

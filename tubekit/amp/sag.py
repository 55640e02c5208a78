"""How B+ sags when an idling amp is driven as hard as it goes, and how it comes back.

Full drive is the input at which the first output tube's grid just reaches its cathode (the limit of class
AB1, any textbook). The voltages which that drive adds at every tube are taken from a large-signal solve with
the rails held; then the whole amp is followed as means over the line cycle while each tube passes the mean
of its current over the drive. Rails and drive are worked out in turn until they agree.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.fields import Value
from tubekit.amp.hum_paths import generator, held_means
from tubekit.amp.parts import GROUND, Jack, MainsPlug
from tubekit.amp.report import AmpReport
from tubekit.amp.signal_order import output_sections
from tubekit.amp.signal_view import GENERATOR, SOURCE_OHMS, carries_bias, driven_at
from tubekit.amp.supply import FilterReading, SupplyReport, supply_report
from tubekit.amp.topology import edges, reached
from tubekit.analyses.large_signal import LargeSignal, large_signal
from tubekit.analyses.mains import MainsState
from tubekit.analyses.transient import Transient, slow_transient
from tubekit.circuit.parts import Circuit, Rectifier, VoltageSource
from tubekit.errors import ChangeError, SolveError
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

TONE_HZ = 400.0
"""Frequency of the drive [Hz]; common practice."""
SAMPLES, SEARCH = 32, 40
FIRST_V, MOST_V = 1e-3, 10.0
"""The search for full drive begins and ends there [V peak]."""
GRID_AT_V = 0.1
"""A grid counts as at its cathode within this [V]."""
LEAST_S, LONGEST_S = 3.0, 96.0
"""How long a run is at least and at most: it ends once the rails stay [s]."""
STEP, LOOSE = 3e-4, 1e-2
"""Error allowed in a step of a run, as a share of a voltage: to read, and to learn only where it ends."""
STAYS = 5e-4
"""A rail has settled once it moves by less than this share of its idle voltage in the last third of a run."""
ROUNDS, AGREED = 6, 2e-3
STEADY = 0.5
"""B+ that changes by less than this [%] holds; common practice, no source."""
SETTLED = 1 - np.exp(-1.0)
MOVES = 0.02
"""A current that moves by less than this share from idle to full drive says nothing of the rails."""


@dataclass(frozen=True, eq=False)
class RailSag:
    """One filter capacitor between idle and full drive."""

    capacitor: str
    node: str
    idle_v: float = quantity("V", "V_0", "mean at idle", label="idle")
    driven_v: float = quantity("V", "V_1", "mean voltage at full power", label="full power")
    lowest_v: float = quantity("V", "V_min", "lowest mean voltage on the way there", label="lowest")
    sag_percent: float = quantity("%", "", "voltage drop in percent of idle", label="drop", format=".1f")
    down_s: float = quantity("s", "τ", "time for 63 % of the drop")
    back_s: float = quantity("s", "τ'", "time for 63 % of the recovery")


@dataclass(frozen=True, eq=False, repr=False)
class Sag(Printed):
    """An amp driven hard from idle, and left alone again."""

    amp: Amp
    rails: tuple[RailSag, ...]
    output_tubes: tuple[str, ...]
    input_v: float = quantity("V", "v_in", "peak signal at the input jack")
    idle_a: float = quantity("A", "I_0", "mean rectifier current at idle")
    driven_a: float = quantity("A", "I_1", "mean rectifier current at full power")
    b_plus: RailSag = field(kw_only=True)
    settled: bool = field(kw_only=True)
    ripple_hz: float = quantity("Hz", "f_r", "ripple frequency at the first filter cap", kw_only=True)
    down: Transient = field(repr=False, kw_only=True)
    back: Transient = field(repr=False, kw_only=True)
    drive: LargeSignal = field(repr=False, kw_only=True)

    json_keys = (
        "amp=amp.title", "rails", "b_plus", "settled", "input_v", "output_tubes", "idle_a",
        "driven_a",
    )  # fmt: skip

    def rail(self, capacitor: str) -> RailSag:
        """One capacitor; KeyError if it is none of the supply's."""
        return {one.capacitor: one for one in self.rails}[capacitor]

    def headline(self) -> str:
        """B+ of the output tubes' plates in one sentence."""
        one = self.b_plus
        if abs(one.sag_percent) < STEADY:
            return f"{self.amp.title}: at full power B+ ({one.node}) holds at {one.driven_v:.3g} V"
        return (
            f"{self.amp.title}: at full power B+ ({one.node}) drops from {one.idle_v:.3g} to "
            f"{one.driven_v:.3g} V ({one.sag_percent:.2g} %), in {self._time(one.down_s)}; it recovers in "
            f"{self._time(one.back_s)}"
        )

    def _time(self, seconds: float) -> str:
        """A time as it can be known: means over a cycle show nothing faster than half a ripple period."""
        least = 0.5 / self.ripple_hz
        return f"under {show(least, 's', 1)}" if seconds < least else show(seconds, "s", 2)

    def tables(self) -> list[Table]:
        """One row per rail."""
        tubes = " and ".join(self.output_tubes)
        note = (
            f"Full power: {self.input_v * 1e3:.3g} mV peak at the jack, {TONE_HZ:g} Hz, just short of grid "
            f"current in {tubes}. Times are for 63 % of the change. Rectifiers {self.idle_a * 1e3:.3g} → "
            f"{self.driven_a * 1e3:.3g} mA."
        )
        if not self.settled:
            note += (
                f"\nNOT SETTLED: the voltages still change after {self.down.time[-1]:.0f} s at full power."
            )
        rails = Table.of(
            "Sag", self.rails, "capacitor", "node", "idle_v", "driven_v", "lowest_v", "sag_percent", note=note
        )
        times = [[self._time(t) if np.isfinite(t) else t for t in (r.down_s, r.back_s)] for r in self.rails]
        heads = headed("time to sag [s] >", "time to recover [s] >")
        rows = [(*row, *both) for row, both in zip(rails.rows, times, strict=True)]
        return [replace(rails, columns=(*rails.columns, *heads), rows=rows)]


def sag_words(percent: float) -> str:
    """Say what B+ does at full power: 'B+ drops 8.0 %'.

    Examples
    --------
    >>> sag_words(8.0), sag_words(-0.1)
    ('B+ drops 8.0 %', 'B+ holds')
    """
    return (
        "B+ holds"
        if abs(percent) < STEADY
        else f"B+ {'drops' if percent > 0 else 'rises'} {abs(percent):.1f} %"
    )


@dataclass(frozen=True, eq=False)
class FullDrive:
    """An amp driven as hard as it goes, its rails settled."""

    supply: SupplyReport
    output_tubes: tuple[str, ...]
    drive: LargeSignal
    input_v: float
    run: Transient

    @property
    def settled(self) -> bool:
        """Whether the rails stay."""
        return bool(self.run.time[-1] < LONGEST_S * (1 - 1e-9))

    @property
    def b_plus(self) -> FilterReading:
        """The rail that feeds the plates of the output tubes: the nearest along what conducts."""
        amp, state = self.supply.amp, self.supply.report.solved.state
        plates = [section.plate for section in amp.topology.sections if section.name in self.output_tubes]
        steps = reached(plates, edges(amp.parts.values()), stops=[GROUND])
        volts = {one.capacitor: float(state.mean(_node(one))[0]) for one in self.supply.filters}
        held = [one for one in self.supply.filters if _node(one) in steps and volts[one.capacitor] > 0.0]
        return min(
            held or self.supply.filters,
            key=lambda one: (steps.get(_node(one), len(steps)), -abs(volts[one.capacitor])),
        )

    @property
    def b_plus_node(self) -> str:
        """The node of that rail."""
        return _node(self.b_plus)

    @property
    def sag_percent(self) -> float:
        """Drop of that rail from idle [%]."""
        state, node = self.supply.report.solved.state, self.b_plus_node
        return 100.0 * (1.0 - float(self.run.volts(node)[-1]) / float(state.mean(node)[0]))


def full_drive(amp: Amp, *, near: AmpReport | None = None) -> FullDrive:
    """Full drive of an amp with its rails settled; parameters and errors as of `sag`."""
    amp.refuse_batch()
    outputs = output_tubes(amp)
    supply = supply_report(driven_at(amp, None)[0], near=near)
    idle = supply.report.solved.state
    if supply.report.stability.dangers:
        words = " ".join(note.text for note in supply.report.stability.dangers)
        raise SolveError(f"{amp.title}: {words}", best=supply.report)
    circuit = supply.still(idle.circuit)
    rails = {node: float(mean[0]) for node, mean in held_means(amp, idle).items()}
    level = FIRST_V
    begin: Transient | MainsState = idle
    for _ in range(ROUNDS):
        drive, level = _full_drive(_held(supply, rails), outputs, level)
        swing = _swing(drive, idle.operating_point.network.port_names)
        begin = run = _followed(supply, circuit, begin, swing, LOOSE)
        new = {node: float(run.volts(node)[-1]) for node in rails}
        moved = max(abs(new[node] / rails[node] - 1.0) for node in rails)
        rails = new
        if moved <= AGREED:
            break
    return FullDrive(supply, outputs, drive, level, run)


def driven_at_levels(hard: FullDrive, shares: Array) -> tuple[LargeSignal, Array]:
    """An amp at shares (N,) of its full drive, and its B+ there (N,) [V].

    Rails are between idle and full drive as the current of the output tubes is: a supply is nearly a straight
    line that far. Where the current hardly moves they go by the power.
    """
    idle, amp = hard.supply.report.solved.state, hard.supply.amp
    ends = {
        node: (float(mean[0]), float(hard.run.volts(node)[-1]))
        for node, mean in held_means(amp, idle).items()
    }
    still = sum(float(hard.supply.report.tube(name).cathode_a) for name in hard.output_tubes)
    part = np.square(shares)
    for _ in range(2):
        rails = {node: one + part * (two - one) for node, (one, two) in ends.items()}
        circuit = _held(hard.supply, rails)
        source = next(each for each in circuit.of(VoltageSource) if each.name == GENERATOR)
        levels = replace(source, ac=hard.input_v * shares)
        run = large_signal(
            circuit.without(GENERATOR).with_parts(levels), frequency_hz=TONE_HZ, samples=SAMPLES
        )
        drawn = sum(run.current(name, "cathode").mean(axis=1) for name in hard.output_tubes)
        full = float(sum(hard.drive.current(name, "cathode").mean() for name in hard.output_tubes))
        if abs(full / still - 1.0) > MOVES:
            part = np.clip((drawn - still) / (full - still), 0.0, 1.0)
    node = hard.b_plus_node
    one, two = float(idle.mean(node)[0]), float(hard.run.volts(node)[-1])
    return run, np.asarray(one + part * (two - one))


def _followed(
    supply: SupplyReport,
    circuit: Circuit,
    start: Transient | MainsState,
    swing: Array | None = None,
    tolerance: float = STEP,
) -> Transient:
    """A run until the rails stay: over its last third each moves by next to nothing."""
    network = supply.report.solved.state.operating_point.network

    def stays(time: Sequence[float], x: Sequence[Array]) -> bool:
        late = np.array(x[bisect_left(time, time[-1] * 2.0 / 3.0) :])
        rails = [network.pick(late, one.a) - network.pick(late, one.b) for one in supply.filters]
        return time[-1] >= LEAST_S and all(
            float(np.ptp(volts)) <= STAYS * max(abs(float(volts[-1])), 1.0) for volts in rails
        )

    return slow_transient(
        circuit, LONGEST_S, frequency_hz=supply.amp.mains_hz, start=start, swing=swing,
        tolerance=tolerance, until=stays,
    )  # fmt: skip


def sag(amp: Amp, *, near: AmpReport | None = None) -> Sag:
    """B+ from idle to full power and back.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    near
        A report of this amp, to save its solve.

    Returns
    -------
    Sag
        Idle, full drive with B+ held, full drive with B+ sagged, and the time between them.

    Raises
    ------
    ChangeError
        A batch, no input jack, or no output tube on an output transformer.
    SolveError
        The amp oscillates, no drive brings an output tube's grid to its cathode, or a solve does not arrive.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = sag(load_amp("teasel"))
    >>> result.driven_a > result.idle_a
    True
    """
    hard = full_drive(amp, near=near)
    supply, outputs, drive = hard.supply, hard.output_tubes, hard.drive
    idle, hertz = supply.report.solved.state, amp.mains_hz
    circuit = supply.still(idle.circuit)
    swing = _swing(drive, idle.operating_point.network.port_names)
    down = _followed(supply, circuit, idle, swing)
    back = _followed(supply, circuit, down)
    names = [part.name for part in circuit.of(Rectifier)]
    before = sum(float(np.abs(idle.rectifier_currents[0, k].mean())) for k in range(len(names)))
    after = sum(float(np.abs(down.current(name)[-1])) for name in names)
    result = tuple(_rails(supply, down, back))
    first = result[0]
    spectrum = [float(np.abs(idle.harmonic(first.node, k)[0])) for k in (1, 2)]
    return Sag(
        amp, result, outputs, hard.input_v, before, after, down=down, back=back, drive=drive,
        b_plus=next(one for one in result if one.capacitor == hard.b_plus.capacitor), settled=hard.settled,
        ripple_hz=hertz * (1.0 if spectrum[0] > spectrum[1] else 2.0),
    )  # fmt: skip


def output_tubes(amp: Amp) -> tuple[str, ...]:
    """Sections whose plates feed the transformer of the largest output stage, a reverb driver's left out.

    Raises
    ------
    ChangeError : there is none.
    """
    lines = tuple(section.name for section in output_sections(amp))
    if not lines:
        raise ChangeError("no tube drives an output transformer", where=amp.name)
    return lines


def _held(supply: SupplyReport, rails: Mapping[str, Value]) -> Circuit:
    """The amp with its rails held and a generator at its input."""
    amp, solved = supply.amp, supply.report.solved
    circuit, jack = solved.state.circuit, amp.parts[driven_at(amp, None)[1]]
    assert isinstance(jack, Jack)
    plugs = [name for name, part in amp.parts.items() if isinstance(part, MainsPlug)]
    rest = circuit.without(*plugs, *(part.name for part in circuit.of(Rectifier)))
    sources = [VoltageSource(f"{node} held", node, GROUND, volts) for node, volts in rails.items()]
    return rest.with_parts(*sources, *generator(jack, FIRST_V, SOURCE_OHMS, carries_bias(solved, jack)))


def _full_drive(circuit: Circuit, outputs: tuple[str, ...], first: float) -> tuple[LargeSignal, float]:
    """The drive that brings a grid of the output tubes to its cathode, and its size [V peak]."""
    source = next(part for part in circuit.of(VoltageSource) if part.name == GENERATOR)
    rest, level, tried = circuit.without(GENERATOR), first, (0.0, -np.inf)
    drive: LargeSignal | None = None
    for _ in range(SEARCH):
        result = _driven(rest.with_parts(replace(source, ac=level)))
        if result is None:  # too far at once
            level = float(np.sqrt(level * max(tried[0], 0.3 * level)))
            continue
        drive = result
        peaks = [float(drive.volts(name, "grid").max()) for name in outputs]
        peak = max(peaks)
        mean = float(drive.volts(outputs[peaks.index(peak)], "grid").mean())
        if abs(peak) <= GRID_AT_V:
            return drive, level
        if np.isfinite(tried[1]) and abs(peak - tried[1]) > 1e-6:
            wanted = level - peak * (level - tried[0]) / (peak - tried[1])  # secant
        else:
            wanted = level * mean / min(mean - peak, -1e-9)  # the swing grows with the drive
        tried = (level, peak)
        level = float(np.clip(wanted, 0.3 * level, 3.0 * level))
        if level > MOST_V:
            break
    raise SolveError(f"No drive up to {MOST_V:g} V brings an output tube's grid to its cathode", best=drive)


def _driven(circuit: Circuit) -> LargeSignal | None:
    """The driven state; None where it does not arrive."""
    run = large_signal(circuit, frequency_hz=TONE_HZ, samples=SAMPLES, strict=False)
    return None if run.convergence.mask.any() else run


def _swing(drive: LargeSignal, names: tuple[tuple[str, str], ...]) -> Array:
    """What the drive adds to the mean of each port voltage, in the amp's order of ports, (P, A)."""
    order = [drive.idle.network.port_names.index(name) for name in names]
    volts = drive.port_volts[0][order]
    return np.asarray(volts - volts.mean(axis=1, keepdims=True))


def _node(one: FilterReading) -> str:
    return one.a if one.a != GROUND else one.b


def _rails(supply: SupplyReport, down: Transient, back: Transient) -> Iterator[RailSag]:
    for one in supply.filters:
        fall, rise = down.volts(_node(one)), back.volts(_node(one))
        yield RailSag(
            one.capacitor, _node(one), float(fall[0]), float(fall[-1]), float(fall[np.abs(fall).argmin()]),
            100.0 * float(1.0 - fall[-1] / fall[0]),
            _reached(down, fall), _reached(back, rise),
        )  # fmt: skip


def _reached(run: Transient, volts: Array) -> float:
    """When 63 % of the whole change is done [s]; NaN where there is next to none."""
    whole = volts[-1] - volts[0]
    if abs(whole) < 1e-3:
        return float("nan")
    done = (volts - volts[0]) / whole
    k = int(np.argmax(done >= SETTLED))
    if k == 0:
        return 0.0
    share = (SETTLED - done[k - 1]) / (done[k] - done[k - 1])
    return float(run.time[k - 1] + share * (run.time[k] - run.time[k - 1]))

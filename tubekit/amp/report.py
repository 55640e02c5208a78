"""The whole answer for one amp."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import assumed_values
from tubekit.amp.mains_solve import LIVE_V
from tubekit.amp.parts import GROUND, Jack, Tube
from tubekit.amp.parts.tubes import heater_string
from tubekit.amp.readings import (
    DEAD_V,
    NodeReading,
    RailReading,
    RectifierReading,
    TubeReading,
    WindingReading,
    law_note,
)
from tubekit.amp.signal_view import idle_signal
from tubekit.amp.solve import SolvedAmp, solve_amp
from tubekit.amp.solved_dangers import solved_dangers
from tubekit.amp.stability import Stability
from tubekit.amp.stages import gains_in_place
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.time_stepper import Convergence
from tubekit.errors import Note
from tubekit.result_fields import frozen_array
from tubekit.text import Printed, Table
from tubekit.units import show

Array = np.ndarray


@dataclass(frozen=True, eq=False, repr=False)
class AmpReport(Printed):
    """Every voltage, current, dissipation, ripple and stage gain of an amp (or of a batch of amps).

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> report = analyze(load_amp("teasel"))
    >>> print(f"{report.node('B1').dc_v:.0f} V, {report.tube('V3').plate_w:.1f} W")
    335 V, 9.7 W
    """

    amp: Amp
    rails: tuple[RailReading, ...]
    rectifiers: tuple[RectifierReading, ...]
    windings: tuple[WindingReading, ...]
    convergence: Convergence
    solved: SolvedAmp = field(repr=False)

    json_keys = (
        "amp=amp.title", "mains_rms=amp.mains_rms", "changes=amp.changes", "nodes", "tubes", "rails",
        "rectifiers", "windings", "assumptions", "converged=convergence.converged",
    )  # fmt: skip

    @cached_property
    def _signal(self) -> tuple[OperatingPoint, Stability, Jack | None]:
        """Calculated when it is first asked for: supplies and ratings need none of it."""
        return idle_signal(self.solved)

    @property
    def stability(self) -> Stability:
        """Whether it oscillates."""
        return self._signal[1]

    @cached_property
    def tubes(self) -> tuple[TubeReading, ...]:
        """Every amplifying section; no gain where the amp oscillates."""
        point, judged, jack = self._signal
        gains = gains_in_place(point, self.solved.amp, jack)

        def seen(sizes: Array) -> Any:
            return self.solved.one(np.where(judged.stable, sizes, np.nan))

        return tuple(
            replace(each, gain=seen(plate), cathode_gain=seen(cathode))
            for each in self.solved.tubes
            for plate, cathode in (gains[each.section],)
        )

    @cached_property
    def nodes(self) -> tuple[NodeReading, ...]:
        """Every node; no alternating volts on the signal's side where the amp oscillates."""
        stable = self.stability.stable
        held = set() if stable.all() else self.solved.held_nodes
        return tuple(
            each if stable.all() or each.node in held else replace(
                each, ac_rms_v=_where(stable, each.ac_rms_v), ripple_pp_v=_where(stable, each.ripple_pp_v)
            )
            for each in self.solved.nodes()
        )  # fmt: skip

    @cached_property
    def assumptions(self) -> tuple[str, ...]:
        """Assumptions for what the drawing leaves open; what an intended oscillator does."""
        plain = (note.text for note in self.stability.notes() if not note.danger)
        return (*self.solved.built.assumptions, *map(str, assumed_values(self.amp)), *plain)

    @cached_property
    def idle_dangers(self) -> tuple[Note, ...]:
        """Dangers that show once the amp is solved."""
        return solved_dangers(self.solved, self.stability)

    def node(self, name: str) -> NodeReading:
        """Reading at a node; CircuitError with near matches if there is none.

        Parameters
        ----------
        name
            Of the node.

        Returns
        -------
        NodeReading
            Its voltages.

        Raises
        ------
        CircuitError
            No such node; near matches are listed.
        """
        self.solved.state.mean(name)
        return next(reading for reading in self.nodes if reading.node == name)

    def tube(self, section: str) -> TubeReading:
        """Reading of a tube section such as 'V1a' or 'V3'; KeyError if there is none.

        Parameters
        ----------
        section
            Such as 'V1a' or 'V3'.

        Returns
        -------
        TubeReading
            Its voltages, currents and dissipations.

        Raises
        ------
        KeyError
            No such section.
        """
        return {reading.section: reading for reading in self.tubes}[section]

    def headline(self) -> str:
        """One line for the top of a print."""
        mains = self.amp.mains_rms
        at = f"{mains:g}" if np.ndim(mains) == 0 else f"{np.min(mains):g}…{np.max(mains):g}"
        members = "" if self.amp.batch is None else f", {self.amp.batch} variants"
        changed = "; ".join(f"{part} {old} → {new}" for part, (old, new) in self.amp.changes.items())
        lost = self.convergence.mask
        members += f" ({self.amp.variants(lost)} have no solution)" if members and lost.any() else ""
        gone = "".join(f"; {words}" for words in self.gone_words())
        return f"{self.amp.title} at {at} V line, idle{members}{': ' + changed if changed else ''}{gone}"

    @cached_property
    def _supplies(self) -> dict[str, dict[str, Array]]:
        """Volts of every rail of the drawing, without their sign, by the supply it belongs to."""
        volts = {reading.node: np.abs(reading.dc_v) for reading in self.nodes}
        result: dict[str, dict[str, Array]] = {}
        for rail in self.amp.drawn.topology.wired.rails:
            result.setdefault(rail.words, {})[rail.node] = np.asarray(volts.get(rail.node, 0.0))
        return result

    @cached_property
    def gone(self) -> dict[str, tuple[str, ...]]:
        """Rails without volts, by the supply they belong to; of a batch, those that any member has lost."""
        lost = {
            supply: tuple(node for node, volts in rails.items() if volts.min() < DEAD_V)
            for supply, rails in self._supplies.items()
        }
        return {supply: nodes for supply, nodes in lost.items() if nodes}

    def gone_words(self, known: Iterable[str] = ()) -> Iterator[str]:
        """'B+ is gone: B1, B2 at 0 V (S2 is open)' for each supply that has lost rails not `known`; with
        another of its rails alive, 'B+ is gone at B2, but B1 is at 385 V (L1 is open)'.
        """
        string = sorted(tube.designator for tube in heater_string(self.amp.drawn.parts))
        out = [name for name in string if self._heater_open(name)]
        if out:
            cold = ", ".join(name for name in string if name not in out) or "it"
            yield f"the heater string is open at {', '.join(out)}: {cold} gets no heater current"
        opened = self._opened() if self.gone else ()
        why = f" ({', '.join(opened)} {'is' if len(opened) == 1 else 'are'} open)" if opened else ""
        for supply, nodes in self.gone.items():
            lost = ", ".join(node for node in nodes if node not in known)
            alive, volts = max(self._supplies[supply].items(), key=lambda rail: float(rail[1].max()))
            if lost and volts.max() >= LIVE_V:
                yield f"{supply} is gone at {lost}, but {alive} is at {show(float(volts.max()), 'V')}{why}"
            elif lost:
                yield f"{supply} is gone: {lost} at 0 V{why}"

    def _heater_open(self, name: str) -> bool:
        """Whether a tube of the drawing is out, or nothing flows in its heater."""
        tube = self.amp.parts.get(name)
        return not isinstance(tube, Tube) or tube.heater_open

    def _opened(self) -> tuple[str, ...]:
        """Parts that would join a live node to a dead one, and are open."""
        volts = {n.node: max(np.max(np.abs(n.dc_v)), np.max(n.ac_rms_v)) for n in self.nodes}
        result: dict[str, None] = {}
        for part in self.amp.parts.values():
            joined = set(part.conducts())
            for pair in set(part.conducts(as_wired=True)) - joined:
                dead, live = sorted(volts.get(node, 0.0) if node != GROUND else np.nan for node in pair)
                if dead < DEAD_V < LIVE_V < live:
                    result[part.designator] = None
        return tuple(result)

    def tables(self) -> list[Table]:
        """Supply first, then tubes, nodes, windings."""
        stacked = any(np.any(r.across_v != r.dc_v) for r in self.rails)
        rails = ("capacitor", "node", "dc_v", "ripple_pp_v", "ripple_rms_v", "ripple_a")
        outside = law_note(self.tubes)
        driven = (
            "With a signal in the usual input; a stage that the signal does not reach is driven directly."
        )
        note = "\n".join((*self.assumptions, str(self.convergence)))
        return [
            Table.of("Filter capacitors", self.rails, *rails, *(["across_v"] * stacked), key="rails"),
            Table.of("Rectifier", self.rectifiers, "rectifier=designator", "type=types", "dc_a", "peak_a",
                     "inverse_v", key="rectifiers"),
            Table.of("Tubes (volts)", self.tubes, "tube=marked", "type=types", "plate_ground_v",
                     "screen_ground_v", "grid_ground_v", "cathode_v", "plate_v", "screen_v", "grid_v",
                     "heater_rms_v", note=outside, key="tube_volts"),
            Table.of("Tubes (currents and dissipation)", self.tubes, "tube=marked", "plate_a", "screen_a",
                     "cathode_a", "plate_w", "plate_share", "screen_w", "screen_share", key="tube_currents"),
            Table.of("Gain of each stage at 1 kHz", self.tubes, "tube=marked", "gain", "cathode_gain",
                     note=driven),
            Table.of("Nodes (to ground)", self.nodes, "node=place", "dc_v", "ac_rms_v", "ripple_pp_v"),
            Table.of("Windings", self.windings, "transformer", "winding", "rms_v", "rms_a", "dc_a",
                     note=note),
        ]  # fmt: skip

    def short(self) -> list[Table]:
        """Tubes, the hardest worked first, then rails."""
        worked = sorted(
            self.tubes, key=lambda one: -float(np.fmax.reduce(one.plate_share, axis=None, initial=0.0))
        )
        return [
            Table.of("Tubes", worked, "tube=marked", "type=types", "plate_ground_v", "cathode_v", "plate_v",
                     "grid_v", "cathode_a", "plate_w", "plate_share"),
            Table.of("Filter capacitors", self.rails, "capacitor", "node", "dc_v", "ripple_pp_v", "ripple_a"),
        ]  # fmt: skip


def analyze(amp: Amp, *, near: AmpReport | None = None) -> AmpReport:
    """Everything there is to know of an amp at idle.

    Parameters
    ----------
    amp
        From `load_amp`, changed or not; a batch gives arrays (N,) in every reading.
    near
        The report of a similar amp, to start the solve from.

    Returns
    -------
    AmpReport
        Idle voltages, currents and dissipations of every part.

    Raises
    ------
    SolveError
        The amp has no idle state that the solver can find; the best iterate is inside.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> report = analyze(load_amp("teasel"))
    >>> 300 < report.node("B1").dc_v < 380
    True
    """
    known: AmpReport | None = amp.__dict__.get("report")
    if known is not None:
        return known
    solved = solve_amp(amp, None if near is None else near.solved)
    report = AmpReport(
        amp,
        tuple(solved.rails()),
        tuple(solved.rectifiers()),
        tuple(solved.windings()),
        solved.state.convergence,
        solved,
    )
    if amp.batch is None:  # no other answer solves it again; thousands are kept by whoever asks
        amp.__dict__["report"] = report
    else:
        amp.__dict__["idle_dangers"] = report.idle_dangers
    return report


def _where(stable: Array, value: Any) -> Any:
    kept = np.where(stable, value, np.nan)
    return float(kept[0]) if np.ndim(value) == 0 else frozen_array(kept)

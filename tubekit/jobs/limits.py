"""Where good amps read at idle, and where it is dangerous to go on: one answer for every sheet of a job."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.signal_order import power_sections
from tubekit.amp.supply import SupplyReport
from tubekit.bench.bring_up import LEAST_V
from tubekit.bench.next_reading import output_drops
from tubekit.bench.preparations import BIAS_OFF, CATHODE_OVER, RAIL_SHORT, fixed_bias_nodes, rated_rails
from tubekit.circuit.parts import GROUND
from tubekit.decisions.judge import wrong_beyond
from tubekit.decisions.probe import Probe
from tubekit.decisions.spread import spread
from tubekit.jobs.steps import Step, measure
from tubekit.units import show

Array = np.ndarray
Ranges = Callable[[Sequence[Probe]], tuple[Array, Array, Array]]
"""Low end, middle and high end of direct voltages at some probes [V]."""


@dataclass(frozen=True)
class Limit:
    """Normal range at a place, the middle of good amps, and the readings at which to stop [V]."""

    low: float
    typical: float
    high: float
    stop_low: float | None = None
    stop_high: float | None = None
    caution: str = ""

    def at(self, factor: float) -> Limit:
        """The same where the amp reads so many times its idle value."""
        low, high = (None if end is None else factor * end for end in (self.stop_low, self.stop_high))
        return Limit(factor * self.low, factor * self.typical, factor * self.high, low, high)

    def step(self, do: str, place: str, by_s: float | None = None, **words: Any) -> Step:
        """A step that reads it at idle."""
        good, stop = (self.low, self.high), (self.stop_low, self.stop_high)
        return measure(do, place, self.typical, good, stop, by_s, **{"caution": self.caution, **words})


def limits(
    amp: Amp, supply: SupplyReport, probes: Sequence[Probe], ranges: Ranges | None = None
) -> dict[Probe, Limit]:
    """The limits of direct voltages at idle, by probe.

    Parameters
    ----------
    amp, supply
        The amp, and its supply.
    probes
        Direct voltages.
    ranges
        Ranges of this amp by its readings; those of good amps when not given.

    Returns
    -------
    dict[Probe, Limit]
        A stop limit is outside the range in every case.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.amp.supply import supply_report
    >>> amp, probe = load_amp("teasel"), Probe("dc_v", ("k34", "ground"))
    >>> limit = limits(amp, supply_report(amp), [probe])[probe]
    >>> limit.low < limit.typical < limit.high < limit.stop_high
    True
    """
    if not probes:
        return {}
    outputs = {section.cathode for section in power_sections(amp)}
    drops = set(output_drops(amp)) if GROUND in outputs else set()
    bias, rails = fixed_bias_nodes(amp, supply), {rail.node for rail in amp.topology.rails}
    rated = {node: volts for node, _, volts in rated_rails(supply)}

    def limit(probe: Probe, low: float, typical: float, high: float) -> Limit:
        node, to = probe.place
        wrong_low, wrong_high = wrong_beyond(low, typical, high)
        stop_low = stop_high = None
        caution = ""
        if to == GROUND and (node in bias or (node in rails and typical < 0.0)):
            stop_high = max(wrong_high, (1 - BIAS_OFF) * typical)
        elif to == GROUND and node in rails:
            stop_low = min(wrong_low, (1 - RAIL_SHORT) * typical)
            stop_high = max(wrong_high, (1 + RAIL_SHORT) * typical)
            stop_high, caution = capped(rated.get(node), high, stop_high)
        elif typical >= LEAST_V and ((to == GROUND and node in outputs) or probe in drops):
            stop_high = max(wrong_high, (1 + CATHODE_OVER) * typical)
        return Limit(low, typical, high, stop_low, stop_high, caution)

    ends = ranges(probes) if ranges else _good_ranges(amp, probes)
    return {probe: limit(probe, *map(float, values)) for probe, *values in zip(probes, *ends, strict=True)}


def capped(rated: float | None, expected: float, usual: float) -> tuple[float, str]:
    """Where to stop at a rail: at the rating of its capacitor; and the caution where it has to bear more."""
    if rated is None:
        return usual, ""
    if rated > expected:
        return min(rated, usual), ""
    return usual, f"Its filter capacitor is rated {show(rated, 'V')} only: install one rated higher first."


def cathode_limits(
    amp: Amp, supply: SupplyReport, ranges: Ranges | None = None
) -> Iterator[tuple[str, Limit]]:
    """The cathodes of output tubes that are not grounded, in the order of their nodes."""
    nodes = sorted({section.cathode for section in power_sections(amp)} - {GROUND})
    probes = [Probe("dc_v", (node, GROUND)) for node in nodes]
    yield from zip(nodes, limits(amp, supply, probes, ranges).values(), strict=True)


def _good_ranges(amp: Amp, probes: Sequence[Probe]) -> tuple[Array, Array, Array]:
    bands = spread(amp, probes, mains_known=0.005, with_effects=False)
    return bands.low, bands.median, bands.high

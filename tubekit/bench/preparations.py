"""What is done before an amp is brought up, what to look at in each step, and when to stop."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

import numpy as np

from tubekit.amp import Amp, analyze, parts as drawn
from tubekit.amp.dangers import LIVE_CHASSIS, NOT_ISOLATED
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.supply import SupplyReport
from tubekit.circuit.parts import GROUND
from tubekit.units import show

OVER = 1.3
"""Line current beyond this many times the expected one stops the step (common practice, no source)."""
RAIL_SHORT, BIAS_OFF, CATHODE_OVER = 0.15, 0.10, 0.15
"""How far B+ may stay below, a fixed bias be off, a cathode rise above its figure (common practice)."""
FORMING = (0.2, 0.85)
"""Shares of the working B+ at which electrolytics form while one waits."""
DARK = 0.45
"""Below this share of its voltage a heater is dark, and what a tube rectifies then is from memory."""


def prepare(amp: Amp, bias: Mapping[str, float] | None = None) -> tuple[str, ...]:
    """List what is done before the first step, the supply first; a chassis on the line is never grounded.

    `bias` are the volts of the grids of output tubes at fixed bias.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> prepare(load_amp("teasel"))[0].partition(".")[0]
    'Check that the chassis is grounded through the three-wire cord'
    """
    alive = any(danger.code in (LIVE_CHASSIS, NOT_ISOLATED) for danger in amp.dangers)
    isolate = (
        "Feed the amp through an isolation transformer, ahead of the variable transformer or the lamp: "
        "neither of these isolates. Do NOT ground the chassis."
    )
    ground = (
        "Check that the chassis is grounded through the three-wire cord. A variable transformer or a "
        "lamp does not isolate."
    )
    return (
        isolate if alive else ground,
        "Install the correct fuses.",
        "Connect a dummy load of the rated impedance and power to the output.",
        "Clip the meters on with the amp off, unplugged and discharged.",
        *_bias_first(amp, bias or {}),
    )


def _bias_first(amp: Amp, bias: Mapping[str, float]) -> Iterator[str]:
    if bias:
        tubes = dict.fromkeys(s.name for s in amp.topology.sections if s.grid in bias)
        reads: dict[str, list[str]] = {}
        for grid, volts in bias.items():
            reads.setdefault(show(volts, "V"), []).append(amp.topology.place(grid))
        grids = [f"{' and '.join(at)} read{'s' * (len(at) == 1)} {volts}" for volts, at in reads.items()]
        yield (
            f"Fixed bias: pull {' and '.join(tubes)}. Raise the line as below with these tubes out, and "
            f"check that {' and '.join(grids)} or more negative at full line voltage{_without(amp, tubes)}. "
            "If not, repair the bias supply: without bias the output tubes destroy themselves. Unplug and "
            "discharge, then install them."
        )


def _without(amp: Amp, tubes: Iterable[str]) -> str:
    """What B+ reads to ground with the output tubes pulled, and whether its capacitor bears its share."""
    names = {name for name, part in amp.parts.items() if isinstance(part, Tube)
             and any(s.name in tubes for s in part.sections)}  # fmt: skip
    rail = analyze(amp.changed(dict.fromkeys(names, "removed"))).rails[0]
    volts, across = (float(np.abs(each)) for each in (rail.dc_v, rail.across_v))
    rated = getattr(amp.parts[rail.capacitor], "volts", None)
    most = np.inf if rated is None else float(np.min(rated))
    caution = f": ABOVE THE {show(most, 'V')} of {rail.capacitor}, stop there" if across > most else ""
    return f" ({rail.node} then reads {show(volts, 'V')}{caution})"


def watch(
    heaters: float, volts: float, working: float, bias: Collection[str] = (), *, cold: bool = False
) -> str:
    """Words for what to look at in a step.

    Parameters
    ----------
    heaters : heater voltage over the rated one.
    volts, working : B+ in this step, and at full mains [V].
    bias : nodes of fixed bias.
    cold : whether B+ comes from a rectifier tube that is cold.

    Examples
    --------
    >>> watch(0.43, 178.0, 389.0)
    'heaters dark, B+ already at 46 %: wait until the current settles and the electrolytics have re-formed'
    >>> watch(1.0, 388.0, 389.0)
    'heaters at full heat, everything at its working voltage'
    """
    share = volts / working if working else 0.0
    words = ((DARK, "dark"), (0.7, "dull"), (0.95, "glowing"), (np.inf, "at full heat"))
    heat = next(word for below, word in words if heaters < below)
    if share > 0.97:
        return f"heaters {heat}, everything at its working voltage"
    if share < 0.08:
        return f"heaters {heat}, B+ near zero"
    text = f"heaters {heat}, B+ {'already ' if heaters < DARK else ''}at {100 * share:.0f} %"
    if cold:
        text = f"heaters {heat}, the rectifier too cold to rely on: B+ between 0 V and {show(volts, 'V')}"
    if bias:
        text += f": check the bias at {' and '.join(bias)} before you go on"
    elif FORMING[0] < share < FORMING[1]:
        text += ": wait until the current settles and the electrolytics have re-formed"
    return text


def stops(supply: SupplyReport, last_a: float, bias: Collection[str]) -> tuple[str, ...]:
    """When to stop on a variable supply; `last_a` is the settled current of the last step [A]."""
    most = show(OVER * last_a, "A")
    return (
        f"after the wait the line current is above {OVER:g} times its value in the table (last step: {most})",
        *_stops(supply, bias),
    )


def lamp_stops(looks: str, shorted: str, supply: SupplyReport, bias: Collection[str]) -> tuple[str, ...]:
    """When to stop behind a lamp: the lamp shows it first."""
    return (
        f"the lamp stays bright: it may flare for a second at switch-on, then it {looks}{shorted}",
        *_stops(supply, bias),
    )


def _stops(supply: SupplyReport, bias: Collection[str]) -> Iterator[str]:
    yield f"B+ is more than {100 * RAIL_SHORT:.0f} % below the value for the step, or keeps falling"
    over = [f"{node} {show(rated, 'V')} ({name})" for node, name, rated in rated_rails(supply)]
    if over:
        yield f"the voltage across a filter capacitor is above its rating: {', '.join(over)}"
    if bias:
        yield (
            f"the bias voltage at {' or '.join(bias)} is more than {100 * BIAS_OFF:.0f} % off "
            "the expected value: with too little bias voltage the output tubes run away"
        )
    climbs = f"is {100 * CATHODE_OVER:.0f} % above the expected value and keeps climbing"
    yield f"a cathode voltage {climbs}, or a plate glows red"
    yield "anything smells, smokes, crackles or hums loudly, or a filter capacitor gets warm"


def rated_rails(supply: SupplyReport) -> Iterator[tuple[str, str, float]]:
    """Node, capacitor and rating [V] of each filter capacitor from a rail to ground."""
    for one in supply.filters:
        part = supply.amp.parts[one.capacitor]
        if isinstance(part, drawn.Capacitor) and part.volts is not None and GROUND in part.ends:
            node = next(end for end in part.ends if end != GROUND)
            yield node, one.capacitor, float(np.max(part.volts))


def cold_note(supply: SupplyReport) -> str:
    """B+ at full mains while the tubes do not draw yet."""
    one = supply.filters[0]
    volts = float(np.abs(supply.cold.waveform(one.a, one.b)).max())
    part = supply.amp.parts[one.capacitor]
    rated = getattr(part, "volts", None)
    limit = "" if rated is None else f"; {one.capacitor} is rated {show(float(np.max(rated)), 'V')}"
    what = one.a if one.b == GROUND else f"the voltage across {one.capacitor}"
    return f"If switched on directly, {what} rises to {show(volts, 'V')} until the tubes draw current{limit}."


def fixed_bias_nodes(amp: Amp, supply: SupplyReport) -> dict[str, float]:
    """Grids of output tubes that a bias supply holds below ground, with their volts at idle."""
    state = supply.report.solved.state
    grids = [s.grid for s in amp.topology.sections if s.screen]
    return {g: volts for g in grids if (volts := float(state.mean(g)[0])) < -1.0}

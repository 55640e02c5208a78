"""How heaters are fed: which tubes share a series string, and how tapped heaters are wired."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from tubekit.amp.parts import GROUND, Part, PowerTransformer, Tube
from tubekit.amp.parts.tube_facts import facts
from tubekit.amp.parts.tubes import PARALLEL, SERIES
from tubekit.errors import Note


def heater_string(parts: Mapping[str, Part]) -> tuple[Tube, ...]:
    """Tubes whose heaters carry one current: without a power transformer all of them.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> heater_string(load_amp("teasel").parts)
    ()
    """
    heated = [p for p in parts.values() if isinstance(p, Tube) and p.heater and p.heater_rating()[1]]
    coils = [w for p in parts.values() if isinstance(p, PowerTransformer) for w in p.windings[1:]]
    if not coils:
        return tuple(heated)
    fixed = {GROUND} | {tap for coil in coils for tap in coil.taps}
    return tuple(
        one for one in heated
        if any(len({*one.heater} & {*two.heater} - fixed) == 1 for two in heated if two is not one)
    )  # fmt: skip


def with_halves(parts: Mapping[str, Part]) -> dict[str, Part]:
    """The parts, each tapped heater (12A_7 twins) on two nodes wired as what feeds it asks for.

    Across a winding the nearer of both voltages counts; in a string the nearer of both currents to that of
    the other tubes. A drawing that says `heater_halves`, or has three nodes, is believed.
    """
    string = heater_string(parts)
    result = dict(parts)
    for name, part in parts.items():
        if isinstance(part, Tube) and _unsaid(part) and _in_series(part, parts, string):
            result[name] = replace(part, heater_halves=SERIES)
    return result


def _unsaid(tube: Tube) -> bool:
    return tube.tapped and len(tube.heater) == 2 and not tube.heater_halves


def _in_series(tube: Tube, parts: Mapping[str, Part], string: tuple[Tube, ...]) -> bool:
    known = facts(tube.types[0])
    if tube in string:
        others = [facts(one.types[0]).heater_amps for one in string if not one.tapped]
        return bool(others) and min(others) < known.heater_amps / np.sqrt(2.0)
    fed = fed_by(tube, parts)
    return fed is not None and fed[1] > np.sqrt(2.0) * known.heater_volts


def fed_by(
    tube: Tube, parts: Mapping[str, Part], same: Callable[[str], Hashable] = str
) -> tuple[str, float] | None:
    """Name and volts of the winding straight across a heater; None where it is fed otherwise.

    `same` gives for a node what stands for all that is one piece of metal with it.
    """
    outer = {same(node) for node in (*tube.heater[:1], *tube.heater[-1:])}
    for part in parts.values():
        for one in part.windings if isinstance(part, PowerTransformer) else ():
            taps = [same(tap) for tap in one.taps]
            if len(outer & set(taps)) == 2:
                ends = sorted(taps.index(node) for node in outer)
                return one.name, float(sum(np.max(volts) for volts in one.volts[ends[0] : ends[-1]]))
    return None


def heater_notes(parts: Mapping[str, Part]) -> Iterator[Note]:
    """Say what a series string does while it warms up, and how a tapped heater in it was taken."""
    string = heater_string(parts)
    if len(string) > 1:
        slow = max(string, key=lambda tube: tube.heater_rating()[0] * tube.heater_rating()[1])
        names = ", ".join(tube.designator for tube in string)
        yield Note(
            "series_heaters",
            slow.designator,
            f"Heaters of {names} are in series: while they warm up, the lightest get more than "
            "their rated voltage for some seconds and may flash; the command 'switch-on' shows which. "
            "An inrush limiter in the string prevents it; one open heater puts all of them out.",
        )
    for tube in string:
        if tube.tapped and len(tube.heater) == 2:
            volts, amps = tube.heater_rating()
            other = PARALLEL if tube.heater_halves == SERIES else SERIES
            yield Note(
                "heater_halves",
                tube.designator,
                f"{tube.designator}: heater assumed to be {volts:g} V, {amps:g} A; write heater_halves = "
                f'"{other}" if its halves are wired the other way.',
            )

"""Checks across parts: a terminal named twice, B+ and ground paths, mains, heaters; and the notes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np

from tubekit.amp.findings import Findings
from tubekit.amp.parts import (
    GROUND,
    Capacitor,
    Choke,
    Connector,
    Diode,
    Loudspeaker,
    MainsPlug,
    Part,
    PowerTransformer,
    RectifierTube,
    Section,
    Selector,
    Switch,
    Tube,
)
from tubekit.amp.parts.tube_facts import facts
from tubekit.amp.parts.tubes import PARALLEL, SERIES, heater_string
from tubekit.amp.topology import Topology, edges, reached
from tubekit.errors import Note, near_matches
from tubekit.units import show


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


HEATER_OFF = 0.2  # common practice, no source: 6.3 V and 5 V windings differ by more than this


def joins_itself(part: Part, findings: Findings) -> None:
    """Report a part two of whose terminals, which must not meet, stand on one node."""
    if isinstance(part, Selector) and part.position > len(part.contacts):
        fix = f"Write a position from 1 to {len(part.contacts)}"
        problem = f"position is {part.position:g}, but there are only {len(part.contacts)} contacts"
        findings.add(part.designator, problem, fix, code="range", key="position")
    for first, second, node in part.meeting():
        fix = "Connect each to its own point; for a part that is shorted, write condition = 'short'"
        problem = f"{first} and {second} both connect to '{node}'"
        findings.add(part.designator, problem, fix, code="joins_itself", word=node)


MOST_FARADS = {"film": 1e-4, "paper": 3e-5, "ceramic": 1e-4, "mica": 1e-7, "electrolytic": 0.1}
"""Largest capacitors sold, by style (common practice, no source)."""
MOST_JOULES = 500.0
"""A capacitor that would store more at its rating is no part of a tube amp: 2,200 µF at 500 V store 275 J
(common practice, no source)."""


def plausible(part: Part, findings: Findings) -> None:
    """Report a value that no part of this style and voltage has: most often a slip of its prefix."""
    if not isinstance(part, Capacitor):
        return
    farads, volts = float(np.max(part.farads)), float(np.max(0.0 if part.volts is None else part.volts))
    if farads <= MOST_FARADS[part.style] and farads * volts**2 / 2.0 <= MOST_JOULES:
        return
    micro = f"{1e6 * farads:,.4g} µF" if farads < 1e-2 else f"{1e6 * farads:,.0f} µF"
    at = f" at {show(volts, 'V')}" if volts else ""
    size, mark = (1e3, "u") if farads >= 1e-3 else (1e6, "n")
    problem = f"no {part.style} capacitor in a tube amp has {micro}{at}"
    findings.add(
        part.designator,
        problem,
        f"For {size * farads:g} {mark.replace('u', 'µ')}F, write {size * farads:g}{mark}",
        code="range",
        key="value",
    )


def loose_nodes(parts: Mapping[str, Part]) -> dict[str, str]:
    """Nodes that are joined only once (ground aside), each with the designator of that part.

    Windings and tube sections count one by one; a rheostat whose wiper is tied to an end counts once.
    """
    joins: Counter[str] = Counter()
    at: dict[str, str] = {}
    for part in parts.values():
        for _, node in {(_unit(terminal), node) for terminal, node in part.terminals}:
            joins[node] += 1
            at[node] = part.designator
    return {node: one for node, one in at.items() if joins[node] == 1 and node != GROUND}


def _unit(terminal: str) -> str:
    """'primary.nodes[1]' and 'primary.nodes[2]' are one unit; the ends of a resistor are one too."""
    return terminal.split(".", maxsplit=1)[0] if "." in terminal else ""


def check_paths(parts: Mapping[str, Part], findings: Findings) -> None:
    """Report what cannot work for want of a path: B+, grid leak, cathode, mains, heaters."""
    tubes = [part for part in parts.values() if isinstance(part, Tube)]
    sections = [section for tube in tubes for section in tube.sections]
    wired = Topology(parts).wired
    if not wired.rectifiers:
        fix = "Enter the rectifier: [V5] with type, plates and cathode, or [CR1] with nodes"
        findings.add("", "there is no rectifier, so there is no B+", fix, code="no_rectifier")
    else:
        for section in sections:
            _needs_supply(section, wired, findings)
    for section in sections:
        _needs_ground(section, wired.grounded(without=section.name), findings)
    _mains(parts, findings)
    _heaters(parts, tubes, findings)
    _field_coils(parts, findings)


def _owner(section: Section) -> str:
    return section.name.removesuffix(section.key) + (f".{section.key}" if section.key else "")


def _needs_supply(section: Section, wired: Topology, findings: Findings) -> None:
    supplied = wired.supplied(without=section.name)
    for terminal, node in (("plate", section.plate), ("screen", section.screen)):
        if node is not None and node not in supplied:
            findings.add(
                _owner(section),
                f"the {terminal} ('{node}') gets no B+",
                f"Enter the resistor, choke, winding or switch that feeds '{node}' from a rectifier cathode",
                code="no_b_plus",
                word=node,
            )


def _needs_ground(section: Section, ground: set[str], findings: Findings) -> None:
    for terminal, node, what in (
        ("grid", section.grid, "grid leak"),
        ("cathode", section.cathode, "cathode resistor"),
    ):
        if node not in ground:
            problem = f"the {terminal} ('{node}') has no DC path to ground"
            fix = f"Enter its {what}, or correct the name '{node}'"
            findings.add(_owner(section), problem, fix, code="no_dc_path", word=node)


def _mains(parts: Mapping[str, Part], findings: Findings) -> None:
    plugs = [part for part in parts.values() if isinstance(part, MainsPlug)]
    if not plugs:
        fix = "Add P1 with kind = 'mains plug', line, neutral and 'earth' (safety ground)"
        findings.add("", "there is no mains plug, so there is no line voltage", fix, code="no_mains_plug")
    for extra in plugs[1:]:
        problem = f"is a second mains plug; {plugs[0].designator} is one already"
        findings.add(extra.designator, problem, "Keep one of them", code="second_mains_plug")
    if not plugs:
        return
    for part in parts.values():
        if isinstance(part, PowerTransformer):
            _primary_fed(part, plugs[0], parts, findings)


def _primary_fed(
    transformer: PowerTransformer, plug: MainsPlug, parts: Mapping[str, Part], findings: Findings
) -> None:
    pairs = edges((one for one in parts.values() if one is not transformer), as_wired=True)
    taps = set(transformer.primary.taps)
    for name, node in (("line", plug.line), ("neutral", plug.neutral)):
        if not taps & reached([node], pairs, stops=[GROUND]).keys():
            findings.add(
                f"{transformer.designator}.primary",
                f"the {name} wire of {plug.designator} ('{node}') does not reach this winding",
                "Enter the fuse, switch or wire between them, or correct the names of the connections",
                code="mains_not_reached",
                word=node,
            )


def _field_coils(parts: Mapping[str, Part], findings: Findings) -> None:
    """Report a field coil of a loudspeaker that is not drawn."""
    speakers = [name for name, part in parts.items() if isinstance(part, Loudspeaker)]
    for name, part in parts.items():
        if isinstance(part, Choke) and part.field_of and part.field_of not in speakers:
            problem = f"is the field coil of '{part.field_of}', which is not a speaker in this amp"
            near, fix = near_matches(part.field_of, speakers), f"Write one of: {', '.join(speakers)}"
            findings.add(name, problem, fix, near, code="field_of", key="field_of", word=part.field_of)


def _heaters(parts: Mapping[str, Part], tubes: list[Tube], findings: Findings) -> None:
    coils = [w for part in parts.values() if isinstance(part, PowerTransformer) for w in part.windings[1:]]
    if not coils:
        return
    pairs = edges(parts.values(), as_wired=True)
    taps = [tap for coil in coils for tap in coil.taps]
    leads = {node for tube in tubes for node in tube.heater} - {GROUND}
    grounded = any(
        GROUND in coil.taps and leads & reached(coil.taps, pairs, stops=[GROUND]).keys() for coil in coils
    )
    stops = () if grounded else (GROUND,)  # a heater, or a string with its dropper, that returns through it
    for tube in tubes:
        others = [pair for one in tubes if one is not tube for pair in pairwise(one.heater)]
        live = reached(taps, pairs + others, stops=stops)
        cold = [node for node in tube.heater_leads if node not in live]
        if cold:
            problem = f"the heater ('{cold[0]}') is not connected to a winding"
            fix = "Write the same names here as at a heater winding"
            findings.add(tube.designator, problem, fix, code="heater_not_reached", word=cold[0])


def notes(parts: Mapping[str, Part]) -> list[Note]:
    """Notes on what is not an error but worth a look; dangers are in `dangers.py`."""
    result = [note for part in parts.values() for note in _part_notes(part, parts)]
    return [*result, *_in_parallel(parts), *heater_notes(parts)]


def _part_notes(part: Part, parts: Mapping[str, Part]) -> Iterator[Note]:
    name = part.designator
    if part.condition != "fitted":
        yield Note("condition", name, f"{name} is marked '{part.condition}' on the schematic.")
    if isinstance(part, Switch) and part.position == "open":
        yield Note("switch_open", name, f"{name} is open on the schematic: what it feeds gets no voltage.")
    if isinstance(part, Connector) and not part.inserted:
        yield Note("plug_out", name, f"{name} has its plug out on the schematic.")
    if isinstance(part, Choke) and part.field_of:
        text = (
            f"{name} is the field coil of {part.field_of}: its ripple moves the cone too. That hum is not in "
            f"these readings. With {part.field_of} unplugged, everything after {name} loses B+."
        )
        yield Note("field_coil", name, text)
    if isinstance(part, Tube):
        yield from _tube_notes(part, parts)


def _in_parallel(parts: Mapping[str, Part]) -> Iterator[Note]:
    """Rectifiers, plate for plate and cathode for cathode on the same nodes, do not share by themselves."""
    by_nodes: dict[tuple[frozenset[str], str], list[Part]] = {}
    for part in parts.values():
        if isinstance(part, RectifierTube):
            by_nodes.setdefault((frozenset(part.plates), part.cathode), []).append(part)
        elif isinstance(part, Diode):
            by_nodes.setdefault((frozenset([part.a]), part.b), []).append(part)
    for group in by_nodes.values():
        if len(group) < 2:
            continue
        names = " and ".join(part.designator for part in group)
        text = (
            f"{names} are in parallel: calculated as equals, but the one with the lower drop takes most of "
            "the current and the peaks. Give each plate a resistor of its own; count on one rating, not two."
        )
        yield Note("rectifiers_in_parallel", group[0].designator, text)


def _tube_notes(tube: Tube, parts: Mapping[str, Part]) -> Iterator[Note]:
    known = facts(tube.type) if isinstance(tube.type, str) else None
    if known is None:
        return
    drawn = len(tube.sections)
    if drawn and drawn < known.sections:
        why = tube.note or "the other is not used"
        text = f"{tube.designator}: {drawn} of {known.sections} sections drawn ({why})."
        yield Note("sections_left_out", tube.designator, text)
    fed, (want, _) = fed_by(tube, parts), tube.heater_rating()
    if fed is not None and want and abs(fed[1] / want - 1) > HEATER_OFF:
        text = f"{tube.designator}: a {want:g} V heater on a {fed[1]:g} V winding ({fed[0]})."
        yield Note("heater_winding", tube.designator, text)

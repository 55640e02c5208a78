"""What a new part begins with: names that the rest of the drawing makes likely. Each can be written over."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from tubekit.amp.parts import KINDS
from tubekit.amp.parts.tube_facts import TubeFacts
from tubekit.panels.form.draft import Draft
from tubekit.panels.form.kinds import kind_of, letter_of, tube_facts

HEATERS = ("h1", "h2")
RECTIFIER_HEATER = 5.0
CARRIED = {"R": ("tolerance",), "C": ("tolerance",)}
"""What a further resistor or capacitor takes over from the last one: nothing that is judged."""

USUAL: dict[str, dict[str, Any]] = {
    "mains plug": {"line": "mains_line", "neutral": "mains_neutral", "earth": "ground"},
    "fuse": {"nodes": ["mains_line", "mains_fused"], "speed": "slow"},
    "switch": {"nodes": ["mains_fused", "mains_switched"], "position": "closed"},
    "jack": {"sleeve": "ground", "tip_switch": "ground", "direction": "input"},
    "loudspeaker": {"nodes": ["speaker", "ground"]},
    "lamp": {"nodes": [*HEATERS], "rating": "6.3 V 0.15 A"},
    "potentiometer": {"taper": "audio", "position": 0.5},
}
ONLY_ONE = {"switch": "mains_switched", "fuse": "mains_fused"}
"""Kinds whose usual nodes suit the first of them alone, with the node that it makes."""
TOLD = ("resistor", "tube")
"""Kinds that the class letter says, though others share it."""


def new_part(draft: Draft, kind: str, letter: str) -> dict[str, Any]:
    """The table that a new part of a kind begins with."""
    shared = sum(letter in one.letters for one in KINDS) > 1
    table: dict[str, Any] = {"kind": kind} if shared and kind not in TOLD else {}
    if kind == "power transformer":
        return {**table, **_mains_transformer(draft)}
    if kind == "output transformer":
        return {**table, **_output_transformer(draft)}
    if ONLY_ONE.get(kind, "") not in draft.nodes:
        table |= copy.deepcopy(USUAL.get(kind, {}))
    for key in CARRIED.get(letter, ()) if kind in ("resistor", "capacitor") else ():
        last = next(
            (
                one[key]
                for name, one in reversed(draft.parts.items())
                if key in one and _same(name, one, kind)
            ),
            None,
        )
        if last is not None:
            table[key] = last
    return table


def _same(designator: str, table: Mapping[str, Any], kind: str) -> bool:
    found = kind_of(designator, table)
    return found is not None and found.kind == kind


def carried(draft: Draft, designator: str) -> str:
    """Which part a new one has its tolerance from, '' for none."""
    letter, table = letter_of(designator), draft.parts[designator]
    keys = [key for key in CARRIED.get(letter, ()) if key in table]
    names = [name for name, one in draft.parts.items() if name != designator and letter_of(name) == letter
             and all(one.get(key) == table[key] for key in keys)]  # fmt: skip
    return names[-1] if keys and names else ""


def electrodes(draft: Draft, designator: str) -> dict[str, Any]:
    """Names for the electrodes of a tube whose type has just been said, where it has none yet."""
    table = draft.parts[designator]
    known = tube_facts(table)
    if known is None:
        return {}
    number = designator.removeprefix("V")
    found = (
        _rectifier(draft, number, known)
        if known.family == "rectifier"
        else _sections(number, known, str(table.get("unused")))
    )
    if known.heater_volts and "heater" not in found:
        found["heater"] = list(heaters(draft))
    return {key: value for key, value in found.items() if key not in table}


def heaters(draft: Draft) -> tuple[str, str]:
    """The heater nodes that the other tubes are on."""
    for table in draft.parts.values():
        known = tube_facts(table)
        pair = table.get("heater")
        if known and known.family != "rectifier" and isinstance(pair, list) and len(pair) == 2:
            return str(pair[0]), str(pair[1])
    return HEATERS


def _sections(number: str, known: TubeFacts, unused: str) -> dict[str, Any]:
    keys = "abc"[: known.sections] if known.sections > 1 else [""]
    found: dict[str, Any] = {}
    for key in keys:
        names = {one: f"{one[0]}{number}{key}" for one in known.electrodes(key)}
        names |= {"cathode": f"k{number}{key}"} if "cathode" in names else {}
        if key != unused:
            found |= {key: names} if key else names
    return found


def _rectifier(draft: Draft, number: str, known: TubeFacts) -> dict[str, Any]:
    winding = next(
        (one for table in draft.parts.values() if isinstance(one := table.get("high_voltage"), dict)), {}
    )
    ends = [node for node in winding.get("nodes", ()) if node not in ("", "ground")]
    plates = ends[: known.sections] if len(ends) >= known.sections else ["hv_a", "hv_b"][: known.sections]
    found: dict[str, Any] = {"plates": plates, "cathode": "B1"}
    if known.heater_volts == RECTIFIER_HEATER:
        found["heater"] = ["B1", f"v{number}_heater"]
    return found


def _mains_transformer(draft: Draft) -> dict[str, Any]:
    volts = draft.heading.get("design_mains", "")
    windings: dict[str, Any] = {
        "primary": {"nodes": ["mains_switched", "mains_neutral"], "volts": [volts], "resistance": [""]},
        "high_voltage": {"nodes": ["hv_a", "ground", "hv_b"], "volts": ["", ""], "resistance": ["", ""]},
    }
    for name, table in draft.parts.items():
        known = tube_facts(table)
        if known and known.heater_volts == RECTIFIER_HEATER:
            ends = table.get("heater") or ["B1", f"{name.lower()}_heater"]
            windings["rectifier_heater"] = {"nodes": list(ends), "volts": ["5.2 V"], "resistance": [""]}
    windings["heater"] = {"nodes": list(heaters(draft)), "volts": ["6.6 V"], "resistance": [""]}
    return windings


def _output_transformer(draft: Draft) -> dict[str, Any]:
    plates = [
        str(table["plate"])
        for table in draft.parts.values()
        if (known := tube_facts(table))
        and known.family == "pentode"
        and known.sections == 1
        and "plate" in table
    ][-2:]
    nodes = [plates[0], "B1", plates[1]] if len(plates) == 2 else ["B1", *plates] if plates else ["", ""]
    count = len(nodes) - 1
    return {
        "primary": {"nodes": nodes, "turns": [""] * count, "resistance": [""] * count},
        "secondary": {"nodes": ["speaker", "ground"], "turns": [1.0], "resistance": [""]},
    }


def new_winding(kind: str, name: str) -> dict[str, Any]:
    """The table that a further winding begins with."""
    measure = "volts" if kind == "power transformer" else "turns"
    return {"nodes": ["", ""], measure: [""], "resistance": [""]} if name else {}

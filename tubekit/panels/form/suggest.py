"""What a new part begins with: names that the rest of the drawing makes likely. Each can be written over.

Ready stages (`data/stages`): a few parts that belong together, put into a draft under free names.

In a stage's file a node named like a port stands for whatever the port is joined to, `p<V1a>` for a name
with the number the tube gets; every other node is its own and gets a number behind it where it is taken.
"""

from __future__ import annotations

import copy
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from tubekit.amp.parts import KINDS
from tubekit.amp.parts.tube_facts import TubeFacts
from tubekit.amp.read import read_tables
from tubekit.errors import ChangeError, near_matches
from tubekit.panels.form.draft import Draft, kind_of, letter_of, nodes_in, tube_facts, with_nodes
from tubekit.tables import data_file

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


SHARED = ("ground", "speaker", "mains_line", "mains_neutral", "mains_fused", "mains_switched")
MAINS = "design line"
HEATER_PORTS = ("heater_a", "heater_b")
FEEDS = ("rectifier tube", "diode", "selenium rectifier", "power transformer")


@dataclass(frozen=True)
class Stage:
    """A ready stage: title, what it is, its ports in words, its parts as in an amp file.

    `splits` is a port that the stage takes apart: what feeds that node is moved to the port `ahead`.
    """

    name: str
    title: str
    words: str
    ports: Mapping[str, str]
    parts: Mapping[str, Any]
    splits: str = ""


@cache
def stages() -> tuple[Stage, ...]:
    """Every ready stage, in the order in which an amp is usually drawn.

    Examples
    --------
    >>> [stage.name for stage in stages()][:3]
    ['supply-tube-rectifier', 'supply-choke', 'supply-doubler']
    """
    found = []
    for path in sorted(data_file("stages").glob("*.toml")):
        tables = read_tables(path)
        head = tables.pop("stage")
        stage = Stage(
            path.stem, head["title"], head["words"], head.get("ports", {}), tables, head.get("splits", "")
        )
        found.append((head["order"], stage))
    return tuple(stage for _, stage in sorted(found, key=lambda one: one[0]))


def stage(name: str) -> Stage:
    """The ready stage of that name.

    Raises
    ------
    ChangeError : there is none; near matches listed.
    """
    known = {one.name: one for one in stages()}
    if name not in known:
        raise ChangeError("there is no such ready-made stage", part=name, near=near_matches(name, known))
    return known[name]


def suggested_ports(draft: Draft, one: Stage) -> dict[str, str]:
    """To which node each port is likely to go: signals chain, rails are the last of the B+ line.

    What is joined once is where a chain ends, so that two channels meet in a stage with two inputs.
    """
    rails = sorted(node for node in draft.nodes if re.fullmatch(r"B\d+", node))
    signals = sorted(int(m[1]) for node in draft.nodes if (m := re.fullmatch(r"signal(\d+)", node)))
    count = 1 + (signals[-1] if signals else 0)
    inputs = sum(port.startswith("signal_in") for port in one.ports)
    joined = Counter(node for name, table in draft.parts.items() for node in nodes_in(name, table))
    ends = [number for number in signals if joined[f"signal{number}"] == 1]
    chains = ends if len(ends) >= inputs else signals
    last = [f"signal{number}" for number in chains[-inputs:]] if inputs else []
    found: dict[str, str] = {}
    for port in one.ports:
        if port.startswith("signal_in"):
            found[port] = last.pop(0) if last else f"signal{count}"
        elif port.startswith("signal_out"):
            count += found.get("signal_in") == f"signal{count}"
            found[port], count = f"signal{count}", count + 1
        elif port == "next_rail":
            found[port] = f"B{len(rails) + 1}" if rails else "B2"
        elif port == "screen_rail":
            found[port] = rails[1] if len(rails) > 1 else "B2"
        elif port == "rail":
            first = one.name.startswith("output") or one.splits == port
            found[port] = (rails[0] if first else rails[-1]) if rails else ("B1" if first else "B3")
        elif port in HEATER_PORTS:
            found[port] = heaters(draft)[HEATER_PORTS.index(port)]
        else:
            found[port] = port
    return found


def put_in(draft: Draft, one: Stage, ports: Mapping[str, str] | None = None) -> Draft:
    """The draft with a stage laid in: parts under the next free designators, nodes joined at its ports.

    Raises
    ------
    ChangeError : a port that the stage has not.
    """
    joined = suggested_ports(draft, one)
    for port, node in (ports or {}).items():
        if port not in joined:
            raise ChangeError("the stage has no such connection", part=port, near=near_matches(port, joined))
        joined[port] = node or joined[port]
    if one.splits:
        draft = _split(draft, joined[one.splits], joined["ahead"])
    names, tags = _designators(draft, one)
    nodes = _nodes(draft, one, joined, tags)
    more: dict[str, Any] = {}
    for old, table in one.parts.items():
        section = tags.get(f"{old}a", "") if old in names else ""
        joined_up = with_nodes(old, table, lambda node: nodes.get(node, node))
        filled = _tagged_in(joined_up, tags, str(draft.heading.get("design_mains", "")))
        if letter_of(old) == "V" and section.endswith("b") and names[old] in draft.parts:
            filled = {"b": filled["a"]}  # the other half of a bottle that is there already
            draft = draft.put((names[old], "unused"), None)
        more[names[old]] = filled
    return draft.with_parts(more)


def _split(draft: Draft, node: str, ahead: str) -> Draft:
    """The draft with the rectifier, reservoir and bleeder at a node moved to another ahead of it."""
    feeds = {name for name, table in draft.parts.items()
             if (kind := kind_of(name, table)) and kind.kind in FEEDS}  # fmt: skip
    source = {one for name in feeds for one in nodes_in(name, draft.parts[name])} | {"ground", node}
    feeds |= {name for name, table in draft.parts.items()
              if letter_of(name) in ("R", "C") and set(nodes_in(name, table)) <= source}  # fmt: skip
    moved = {name: with_nodes(name, draft.parts[name], lambda one: ahead if one == node else one)
             for name in feeds if node in nodes_in(name, draft.parts[name])}  # fmt: skip
    return draft.with_parts(moved)


def _designators(draft: Draft, one: Stage) -> tuple[dict[str, str], dict[str, str]]:
    """New designator of each part, and the tag of each tube section: 'V1a' to '2b'."""
    names: dict[str, str] = {}
    tags: dict[str, str] = {}
    taken = draft
    for old, table in one.parts.items():
        letter = letter_of(old)
        half = _half_free(draft, table) if letter == "V" and "a" in table and "b" not in table else ""
        new = half or taken.next_designator(letter)
        taken = taken.added(letter, name=new) if not half else taken
        names[old] = new
        number = new.removeprefix(letter)
        if letter == "V":
            tags |= {old: number, f"{old}a": number + ("b" if half else "a"), f"{old}b": f"{number}b"}
    return names, tags


def _half_free(draft: Draft, table: Mapping[str, Any]) -> str:
    """A bottle of that type of which only one half is drawn."""
    for name, drawn in draft.parts.items():
        known = tube_facts(drawn)
        if known and drawn.get("type") == table.get("type") and known.sections == 2 and "b" not in drawn:
            return name
    return ""


def _nodes(draft: Draft, one: Stage, joined: Mapping[str, str], tags: Mapping[str, str]) -> dict[str, str]:
    taken = set(draft.nodes)
    found = {**joined, **dict(zip(HEATERS, heaters(draft), strict=True))}
    for old, table in one.parts.items():
        for node in nodes_in(old, table):
            if node in found or node in SHARED:
                continue
            name, count = _tagged(node, tags), 2
            wanted = name
            while name in taken:
                name, count = f"{wanted}_{count}", count + 1
            found[node] = name
    return found


def _tagged_in(value: Any, tags: Mapping[str, str], mains: str) -> Any:
    if isinstance(value, dict):
        return {key: _tagged_in(one, tags, mains) for key, one in value.items()}
    if isinstance(value, list):
        return [_tagged_in(one, tags, mains) for one in value]
    if not isinstance(value, str):
        return value
    return mains if value == MAINS else _tagged(value, tags)


def _tagged(text: str, tags: Mapping[str, str]) -> str:
    return re.sub(r"<(V\d+[a-z]?)>", lambda found: tags[found[1]], text)

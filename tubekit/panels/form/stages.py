"""Ready stages (`data/stages`): a few parts that belong together, put into a draft under free names.

In a stage's file a node named like a port stands for whatever the port is joined to, `p<V1a>` for a name
with the number the tube gets; every other node is its own and gets a number behind it where it is taken.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from tubekit.amp.read import read_tables
from tubekit.errors import ChangeError, near_matches
from tubekit.panels.form import suggest
from tubekit.panels.form.draft import Draft
from tubekit.panels.form.kinds import kind_of, letter_of, nodes_in, tube_facts, with_nodes
from tubekit.tables import data_file

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
            found[port] = suggest.heaters(draft)[HEATER_PORTS.index(port)]
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
    heaters = dict(zip(suggest.HEATERS, suggest.heaters(draft), strict=True))
    taken, found = set(draft.nodes), {**joined, **heaters}
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

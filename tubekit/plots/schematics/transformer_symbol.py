"""Transformers: windings on both sides of a core, their taps on the grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tubekit.plots.schematics.grid import LEFT, LINE, RIGHT, Box, Pin, Shape, TextBlock, TextLine
from tubekit.plots.schematics.items import Item


@dataclass(frozen=True)
class Coil:
    """One winding in its place: its taps from the top, as (row, node)."""

    rows: tuple[int, ...]
    nodes: tuple[str, ...]


def windings_of(item: Item) -> dict[str, list[str]]:
    """Nodes along each winding."""
    result: dict[str, list[str]] = {}
    for name, node in item.pins:
        result.setdefault(name.rpartition(" ")[0], []).append(node)
    return result


def transformer(
    label: Sequence[TextLine], item: Item, *, primary_up: Sequence[str] = (), tall: int = 0
) -> Shape:
    """Primary to the left, the others to the right, one below the other.

    `primary_up`: taps of the primary from the top down, where not as written; `tall`: least height of its
    sections.
    """
    coils = windings_of(item)
    names = list(coils)
    first = "primary" if "primary" in names and item.kind == "power transformer" else names[0]
    left = list(primary_up) or coils[first]
    right = _stack([coils[name] for name in names if name != first])
    height = max((-coil.rows[-1] for coil in right), default=0)
    step = max(4 if len(left) < 4 else 3, tall)
    span = step * (len(left) - 1)
    drop = max(0, (height - span) // 2)
    primary = Coil(tuple(-drop - step * n for n in range(len(left))), tuple(left))
    lift = max(0, (span - height) // 2)
    right = [Coil(tuple(row - lift for row in coil.rows), coil.nodes) for coil in right]
    pins = [Pin(node, 0, row, LEFT) for row, node in zip(primary.rows, primary.nodes, strict=True)]
    pins += [
        Pin(node, 4, row, RIGHT) for coil in right for row, node in zip(coil.rows, coil.nodes, strict=True)
    ]
    low = min(primary.rows[-1], min((coil.rows[-1] for coil in right), default=0))
    words = (TextBlock((label[0], TextLine(item.words, "value"), *label[1:]), 2.0, 0.8 + LINE, "center"),)
    more = (primary, tuple(right), low)
    return Shape("transformer", "v", tuple(pins), (Box(0.1, low - 0.3, 3.9, 0.3),), words, more)


def _stack(coils: list[list[str]]) -> list[Coil]:
    """Windings one below the other; taps three steps apart, so that their labels do not touch."""
    result: list[Coil] = []
    top = 0
    for nodes in coils:
        step = 4 if len(nodes) == 2 and not result else 3
        rows = tuple(top - step * n for n in range(len(nodes)))
        result.append(Coil(rows, tuple(nodes)))
        top = rows[-1] - 3
    return result

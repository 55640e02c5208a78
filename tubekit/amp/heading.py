"""The [amp] table and the test points: what a drawing says beside its parts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tubekit.amp.fields import Form, Listed, NodeName, Quantity, Words, is_sequence, written
from tubekit.amp.parts.part import PAIR, TOLERANCE

MAINS = Quantity("V", 1.0, 600.0)


@dataclass(frozen=True)
class NodeOrPair(Form):
    """One node (volts to ground), or two (volts from the second to the first)."""

    def read(self, raw: object) -> tuple[str, ...]:
        """One or two nodes."""
        if is_sequence(raw):
            pair: tuple[str, ...] = PAIR.read(raw)
            return pair
        return (NodeName().read(raw),)

    def write(self, value: tuple[str, ...]) -> object:
        """A text, or a list of two."""
        return value[0] if len(value) == 1 else list(value)

    def show(self, value: tuple[str, ...]) -> str:
        """Node names."""
        return " to ".join(value)


@dataclass(frozen=True, eq=False, kw_only=True)
class TestPoint:
    """A voltage printed on the drawing: at one node to ground, or between two [V, percent]."""

    __test__ = False  # not a test case, whatever its name looks like to pytest

    name: str
    nodes: tuple[str, ...] = field(metadata=written(NodeOrPair(), "node"))
    volts: float = field(metadata=written(Quantity("V", -1e4, 1e4)))
    tolerance_percent: float | None = field(default=None, metadata=written(TOLERANCE, "tolerance"))
    note: str = field(default="", metadata=written(Words()))


@dataclass(frozen=True, eq=False, kw_only=True)
class Heading:
    """The [amp] table. `mains` is what the amp is run on, the design line voltage where not stated."""

    title: str = field(metadata=written(Words()))
    maker: str = field(default="", metadata=written(Words()))
    town: str = field(default="", metadata=written(Words()))
    year: str = field(default="", metadata=written(Words()))
    story: str = field(default="", metadata=written(Words()))
    design_mains: float = field(metadata=written(MAINS))
    mains_frequency: float = field(metadata=written(Quantity("Hz", 10.0, 1000.0)))
    mains: float | None = field(default=None, metadata=written(MAINS))
    left_open: tuple[str, ...] = field(default=(), metadata=written(Listed(NodeName(), 0, 100)))


def heading_words(heading: Heading) -> dict[str, Any]:
    """The words of a heading, as the fields of an `Amp`."""
    return {name: getattr(heading, name) for name in ("title", "maker", "town", "year", "story", "left_open")}

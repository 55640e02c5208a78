"""What goes into a record, and the blocks a page is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from tubekit.amp import Amp
from tubekit.decisions.reading import Readings
from tubekit.plots.drawing import Drawing
from tubekit.text import Table

PAPERS = {"Letter": (215.9, 279.4), "A4": (210.0, 297.0)}
"""Papers a record is laid out for: width and height [mm] (ANSI Letter; ISO 216 A4)."""


@dataclass(frozen=True, eq=False)
class Content:
    """What goes into a record."""

    title: str
    amp: Amp
    decided: str
    why: str
    by: str
    date: str
    results: tuple[Any, ...]
    readings: Readings | None
    figures: tuple[Drawing, ...]
    paper: str = "Letter"


@dataclass(frozen=True, eq=False)
class Figure:
    """A drawing with a short caption; the whole of its words is for whoever cannot see it."""

    caption: str
    drawing: Drawing


@dataclass(frozen=True, eq=False)
class PagePart:
    """What one result gives to a record: words and tables to read now, figures, numbers to look up."""

    place: str
    heading: str
    lead: str = ""
    tables: Sequence[Table] = ()
    figures: Sequence[Figure] = ()
    numbers: Sequence[Table] = field(default=())

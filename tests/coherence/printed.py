"""Tables as a reader sees them: rows of printed cells out of an answer's HTML, and the figures in a cell."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

FIGURE = re.compile(r"^\s*([+\-−]?[\d.,]+(?:e[+\-]?\d+)?)\s*([pnµumkMG]?)([A-Za-zΩ%×°²][\w²/ ]*)?\s*$")
PREFIX = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
WHOLE_UNITS = ("ms", "min")
"""Units that begin with the letter of a prefix; 'm' alone never stands for meters here."""


@dataclass(frozen=True)
class Figure:
    """A printed figure in base units, and half of its last digit."""

    value: float
    half_digit: float
    unit: str

    def agrees(self, other: Figure) -> bool:
        """Whether both may be roundings of one value."""
        return abs(self.value - other.value) <= 1.02 * (self.half_digit + other.half_digit)


def figure(cell: str) -> Figure | None:
    """The figure in a cell, None where the cell is words.

    Examples
    --------
    >>> figure("406.2 mV")
    Figure(value=0.4062, half_digit=5e-05, unit='V')
    >>> figure("exceeded") is None
    True
    """
    match = FIGURE.match(cell)
    if match is None:
        return None
    number, prefix, unit = match[1].replace("−", "-").replace(",", ""), match[2], (match[3] or "").strip()
    if not unit and prefix:
        return None
    mantissa, _, exponent = number.partition("e")
    decimals = len(mantissa.partition(".")[2])
    scale = PREFIX[prefix] * 10.0 ** float(exponent or 0)
    half = float(f"{0.5 * 10.0**-decimals * scale:.3g}")
    return Figure(
        float(f"{float(mantissa) * scale:.12g}"), half, unit.removesuffix(" RMS").removesuffix(" pp")
    )


@dataclass
class Sheet:
    """One printed table."""

    title: str = ""
    heads: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.sheets: list[Sheet] = []
        self.words: list[str] = []
        self._into: str = ""
        self._text = ""
        self._heading = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.sheets.append(Sheet(self._heading))
        elif tag == "tr" and self.sheets:
            self.sheets[-1].rows.append([])
        if tag in ("caption", "th", "td", "h1", "h2", "h3", "h4", "p", "li", "summary"):
            self._into, self._text = tag, ""
        elif tag in ("script", "style", "svg"):
            self._into = "skip"

    def handle_data(self, data: str) -> None:
        self._text += data

    def handle_endtag(self, tag: str) -> None:
        text = " ".join(self._text.split())
        if tag in ("script", "style", "svg"):
            self._text = ""
        elif tag in ("h1", "h2", "h3", "h4", "summary"):
            self._heading = text
            self.words.append(text)
        elif tag in ("p", "li"):
            self.words.append(text)
        elif tag == "caption" and self.sheets:
            self.sheets[-1].title = text
        elif tag in ("th", "td") and self.sheets and self.sheets[-1].rows:
            self.sheets[-1].rows[-1].append(text)


def read(html: str) -> tuple[list[Sheet], list[str]]:
    """All tables of a page, and its sentences."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    for sheet in reader.sheets:
        sheet.rows = [row for row in sheet.rows if row]
        if sheet.rows:
            sheet.heads = sheet.rows.pop(0)
    return reader.sheets, reader.words

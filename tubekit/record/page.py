"""The page of a record: self-contained HTML that opens offline."""

from __future__ import annotations

import base64
import hashlib
import html
import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from tubekit.amp import Amp
from tubekit.amp.report import CAUTION
from tubekit.decisions.reading import Readings
from tubekit.plots.drawing import Drawing
from tubekit.record.figures import figures_of
from tubekit.text import Column, Table, style

LIBRARIES = ("tubekit", "numpy", "scipy", "matplotlib", "networkx")
HASH_SHOWN = 16
PAGE_STYLE = """
body { max-width: 60rem; margin: 2rem auto; padding: 0 1rem; font-family: sans-serif; color: #10203f; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.1rem; border-bottom: 1px solid #d9d8d2; margin-top: 2rem; }
figure { margin: 1rem 0; } figure img { max-width: 100%; } figcaption { font-size: .85rem; color: #55554f; }
.caution { border: 2px solid #8f2d1a; padding: .6rem .8rem; margin: 1rem 0; }
@media print { h2 { break-after: avoid; } table, figure { break-inside: avoid; } }
"""


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


def fingerprints(content: Content) -> dict[str, str]:
    """SHA-256 of every input: the amp file, the amp as decided on, the readings.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> amp = load_amp("teasel")
    >>> sorted(fingerprints(Content("t", amp, "", "", "", "", (), None, ())))
    ['amp as drawn', 'amp file teasel.toml']
    """
    amp = content.amp
    found: dict[str, str] = {}
    if amp.source is not None and amp.source.is_file():
        found[f"amp file {amp.source.name}"] = _hash(amp.source.read_bytes())
    found["amp as drawn"] = _hash(amp.drawn.copy_as_text().encode())
    if amp.changes:
        found["amp as changed"] = _hash(amp.copy_as_text().encode())
    if content.readings is not None:
        text = "\n".join(f"{r.probe}|{r.value!r}|{r.meter}" for r in content.readings.readings)
        found["readings"] = _hash(text.encode())
    return found


def _hash(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def versions() -> dict[str, str]:
    """Versions of what worked the record out."""
    found = {"Python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "from a checkout"
    return found


def page(content: Content) -> str:
    """The whole page."""
    body = "".join(_body(content))
    title = html.escape(content.title)
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{PAGE_STYLE}</style>{style()}</head>'
        f"<body>{body}</body></html>\n"
    )


def _body(content: Content) -> Iterator[str]:
    yield f"<h1>{html.escape(content.title)}</h1>"
    yield _words(content)
    yield f'<p class="caution">{html.escape(CAUTION)}</p>'
    if content.decided or content.why:
        yield "<h2>Decision</h2>"
        yield _paragraph(content.decided) + _paragraph(content.why)
    if content.amp.changes:
        rows = [(key, before, after) for key, (before, after) in content.amp.changes.items()]
        yield Table("Changed", tuple(map(Column, ("what", "drawn", "now"))), rows).html()
    if content.readings is not None:
        yield f"<h2>Readings</h2>{content.readings.html()}"
    for result in content.results:
        yield f"<h2>{html.escape(_heading(result))}</h2>{result.html()}"
        yield "".join(_figure(drawing) for drawing in figures_of(result))
    for drawing in content.figures:
        yield _figure(drawing)
    yield "<h2>How it was worked out</h2>"
    yield _pairs("Versions", "program", "version", versions())
    yield _pairs("Inputs", "input", "SHA-256", fingerprints(content))


def _words(content: Content) -> str:
    amp = content.amp
    maker = ", ".join(word for word in (amp.maker, amp.town, amp.year) if word)
    mains = f"{float(amp.mains_rms):g} V, {amp.mains_hz:g} Hz"
    words = {"amp": amp.title, "maker": maker, "mains": mains, "date": content.date, "by": content.by}
    return Table("", (Column(""), Column("")), [pair for pair in words.items() if pair[1]]).html()


def _heading(result: Any) -> str:
    name = type(result).__name__
    spaced = "".join(f" {c.lower()}" if c.isupper() and k else c for k, c in enumerate(name))
    return spaced.replace("Printed", "Report")


def _paragraph(text: str) -> str:
    return "".join(f"<p>{html.escape(line)}</p>" for line in text.splitlines() if line.strip())


def _figure(drawing: Drawing) -> str:
    picture = base64.b64encode(drawing.png()).decode()
    words = html.escape(drawing.words, quote=True)
    return (
        f'<figure><img src="data:image/png;base64,{picture}" alt="{words}">'
        f"<figcaption>{words}</figcaption></figure>"
    )


def _pairs(title: str, one: str, two: str, pairs: Mapping[str, str]) -> str:
    rows: Sequence[tuple[str, str]] = list(pairs.items())
    return Table(title, (Column(one), Column(two)), rows).html()

"""HTML that panels show: paragraphs, lists, sections. Words are escaped here and nowhere else."""

from __future__ import annotations

import html
from collections.abc import Iterable


def paragraph(words: str, css: str = "", *, alarm: bool = False, strong: bool = False) -> str:
    """A paragraph of the class tubekit-`css`, read out at once where it is an `alarm`; '' for ''.

    Examples
    --------
    >>> paragraph("330 Ω < 1 kΩ", "role")
    '<p class="tubekit-role">330 Ω &lt; 1 kΩ</p>'
    """
    look = f' class="tubekit-{css}"' if css else ""
    look += ' role="alert"' if alarm else ""
    said = html.escape(words)
    return f"<p{look}>{f'<strong>{said}</strong>' if strong else said}</p>" if words else ""


def headline(words: str) -> str:
    """The answer in a sentence, above everything else."""
    return paragraph(words, "headline")


def item(text: str, word: str = "", css: str = "") -> str:
    """A line of a list, with a strong word of a class of its own in front."""
    look = f' class="tubekit-{css}"' if css else ""
    first = f"<strong{look}>{html.escape(word)}</strong> " if word else ""
    return f"<li>{first}{html.escape(text)}</li>"


def listed(items: Iterable[str], css: str = "findings") -> str:
    """Items as a list; '' where there are none."""
    inside = "".join(items)
    return f'<ul class="tubekit-{css}">{inside}</ul>' if inside else ""


def section(*inside: str, live: bool = False, css: str = "") -> str:
    """Blocks of HTML as tubekit's style sheet has them; `live` ones are read out when they change."""
    look = f' tubekit-{css}"' if css else '"'
    look += ' aria-live="polite"' if live else ""
    return f'<section class="tubekit{look}>{"".join(inside)}</section>'

"""What the handbook says, with its source and how it is known."""

from __future__ import annotations

from tubekit.panels.lessons.question import Outside, Prediction
from tubekit.panels.lessons.score import Within
from tubekit.tables import Row

MEMORY = "from memory"
USUAL, CLOSE = Within(10), Within(3)


def of_row(row: Row, words: str, value: Prediction, within: Within = USUAL, miss: str = "") -> Outside:
    """What a handbook row says."""
    return Outside(words, f"{row.source} ({row.where})", row.status, value, within, miss)


def textbook(
    words: str, value: Prediction, within: Within = CLOSE, source: str = "any electronics textbook"
) -> Outside:
    """What a formula says that stands in any electronics textbook."""
    return Outside(words, source, MEMORY, value, within)


def practice(words: str, value: Prediction = "") -> Outside:
    """What shops do; nobody printed it."""
    return Outside(words, "common practice, no source", "common practice", value)

"""Figures of a check on standard output: `pytest -rP` shows them."""

from __future__ import annotations

import sys


def say(text: str) -> None:
    """One line."""
    sys.stdout.write(text + "\n")

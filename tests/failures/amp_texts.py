"""Amp files for the tests: the demo amp with a line changed."""

from __future__ import annotations

from pathlib import Path

from tubekit.files import data_file

TEASEL = data_file("amps", "teasel.toml").read_text(encoding="utf-8")


def write_amp(folder: Path, *changes: tuple[str, str], name: str = "patient.toml") -> Path:
    """The demo amp in `folder` with each old text replaced by the new one; each must be there once."""
    text = TEASEL
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the demo amp"
        text = text.replace(old, new)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path

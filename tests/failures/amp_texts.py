"""Amp files for the tests: the demo amp, a table to a part, with a line changed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tubekit.amp.load import load_amp
from tubekit.amp.read import read_tables
from tubekit.amp.write import toml_value
from tubekit.errors import AmpFileError
from tubekit.files import data_file


def as_tables(tables: Mapping[str, Any], above: str = "") -> str:
    """The text of an amp file with a heading for each part, the other way of writing one."""
    text = ""
    for name, table in tables.items():
        lines = [
            f"{key} = {toml_value(value)}\n" for key, value in table.items() if not isinstance(value, dict)
        ]
        inner = {key: value for key, value in table.items() if isinstance(value, dict)}
        text += f"[{above}{name}]\n{''.join(lines)}\n" if lines else ""
        text += as_tables(inner, f"{above}{name}.")
    return text


TEASEL = as_tables(read_tables(data_file("amps", "teasel.toml")))


def write_amp(folder: Path, *changes: tuple[str, str], name: str = "patient.toml") -> Path:
    """The demo amp in `folder` with each old text replaced by the new one; each must be there once."""
    text = TEASEL
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the demo amp"
        text = text.replace(old, new)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def message(path: Path | str) -> str:
    """What loading it is refused with."""
    with pytest.raises(AmpFileError) as caught:
        load_amp(path)
    return str(caught.value)

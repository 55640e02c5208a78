"""`load_amp`: the one way from a file, a demo name or pasted text to a checked amp."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from tubekit.amp.amp import Amp
from tubekit.amp.check import checked
from tubekit.amp.findings import heading_words
from tubekit.amp.read import Sheet, extended, find, parse_text, read_sheet
from tubekit.files import demo_names


def load_amp(name_or_path: str | Path) -> Amp:
    """The amp described in a file, checked.

    Parameters
    ----------
    name_or_path
        A demo amp ('teasel') or the path of an amp file.

    Returns
    -------
    Amp
        The amp as the file describes it.

    Raises
    ------
    AmpFileError
        The file cannot be read or describes something that cannot be; names file, designator and fix, and
        lists every other problem below the first.

    Examples
    --------
    >>> amp = load_amp("teasel")
    >>> amp.title, amp.parts["R14"].ohms, amp.parts["V5"].type
    ('Ottermere Teasel', 270.0, '5Y3GT')
    """
    path = find(name_or_path)
    return _demo(path, path.stat().st_mtime_ns) if str(name_or_path).strip() in demo_names() else _read(path)


@cache
def _demo(path: Path, _changed: int) -> Amp:
    """A demo amp: everything that is found out about its wiring is found out once."""
    return _read(path)


def _read(path: Path) -> Amp:
    sheet = read_sheet(path)
    return _amp(sheet, sheet.source)


def amp_from_text(text: str, name: str = "pasted text") -> Amp:
    """The amp described in the text of an amp file ; it may extend a demo amp, or a file by its path.

    Parameters
    ----------
    text
        What an amp file holds (TOML).
    name
        What errors call the file.

    Returns
    -------
    Amp
        The amp as the text describes it.

    Raises
    ------
    AmpFileError
        As `load_amp`.
    """
    sheet = extended(parse_text(text, name), name, None)
    return _amp(Sheet(name, sheet.source, sheet.tables, sheet.origins), None)


def _amp(sheet: Sheet, source: Path | None) -> Amp:
    drawing = checked(sheet)
    heading = drawing.heading
    return Amp(
        name=sheet.name,
        notes=drawing.notes,
        source=source,
        parts=drawing.parts,
        design_mains_rms=heading.design_mains,
        mains_hz=heading.mains_frequency,
        mains_rms=heading.design_mains if heading.mains is None else heading.mains,
        test_points=drawing.test_points,
        **heading_words(heading),
    )

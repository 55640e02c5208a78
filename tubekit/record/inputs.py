"""What a record stands on: hashes of what went in, versions of what worked it out."""

from __future__ import annotations

import hashlib
import json
import platform
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from tubekit.record.content import Content

LIBRARIES = ("numpy", "scipy", "matplotlib", "networkx")
PROGRAM = "tubekit, its code and tables"
OWN = ("*.py", "*.css", "*.toml", "*.csv")


def fingerprints(content: Content) -> dict[str, str]:
    """SHA-256 of every input: the amp file, the amp as drawn and as decided on, the readings, the program.

    That of a file is of its bytes; that of an amp is of the text `copy_as_text()` gives (UTF-8); that of
    readings is of everything read: places, values, meters, notes, mains, tone, parts by themselves.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> amp = load_amp("teasel")
    >>> sorted(fingerprints(Content("t", amp, "", "", "", "", (), None, ())))
    ['amp file teasel.toml', 'amp per schematic', 'tubekit, its code and tables']
    """
    amp = content.amp
    result: dict[str, str] = {}
    if amp.source is not None and amp.source.is_file():
        result[f"amp file {amp.source.name}"] = _hash(amp.source.read_bytes())
    result["amp per schematic"] = _hash(amp.drawn.copy_as_text().encode())
    if amp.changes:
        result["amp as changed"] = _hash(amp.copy_as_text().encode())
    readings = content.readings
    if readings is not None:
        words = {**readings.to_json(), "tone": repr(readings.tone), "mains_accuracy": readings.mains_accuracy}
        text = json.dumps(words, sort_keys=True, ensure_ascii=False)
        result[f"readings {Path(readings.source).name}".strip()] = _hash(text.encode())
    result[PROGRAM] = program()
    return result


def _hash(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


@cache
def program() -> str:
    """SHA-256 over the files of this package, code and tables, in the order of their names."""
    root = Path(__file__).resolve().parents[1]
    data = root.parent / "data" if (root.parent / "data" / "handbook").is_dir() else root / "data"
    result = hashlib.sha256()
    for folder in dict.fromkeys((root, data)):
        for path in sorted(p for kind in OWN for p in folder.rglob(kind)):
            result.update(path.relative_to(folder).as_posix().encode() + b"\0")
            result.update(path.read_bytes())
    return result.hexdigest()


def versions() -> dict[str, str]:
    """Versions of what worked the record out."""
    from tubekit import __version__  # noqa: PLC0415 - the package is still being loaded further up

    result = {"tubekit": __version__, "Python": platform.python_version()}
    for name in LIBRARIES:
        try:
            result[name] = version(name)
        except PackageNotFoundError:
            result[name] = "not known"
    return result

"""Writing a record: whole or not at all, and never over another without being told."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from tubekit.files import is_there
from tubekit.record.content import Content

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
PRINT_SECONDS = 120
HOW_TO_PRINT = "open the HTML file in a browser and print it to PDF"


def next_free(path: Path, suffixes: Sequence[str] = (".html", ".pdf")) -> Path:
    """The path itself, or with the next number behind its name, such that none of the files is there.

    Parameters
    ----------
    path
        Wished for.
    suffixes
        Of the files that must not exist yet.

    Returns
    -------
    Path
        The free path.

    Examples
    --------
    >>> next_free(Path("no such record.html")).name
    'no such record.html'
    """
    count, result = 1, path
    while any(is_there(result.with_suffix(suffix)) for suffix in suffixes):
        count += 1
        result = path.with_name(f"{path.stem}-{count}{path.suffix}")
    return result


def find_browser() -> str | None:
    """A Chromium that can print pages; None where there is none."""
    return next((result for name in BROWSERS if (result := shutil.which(name))), None)


Run = Callable[[Sequence[str], float], int]


def _run(command: Sequence[str], seconds: float) -> int:
    done = subprocess.run(command, capture_output=True, timeout=seconds, check=False)  # noqa: S603
    return done.returncode


def print_to_pdf(page: bytes, browser: str | None, run: Run = _run) -> tuple[bytes | None, str]:
    """The page as PDF, or nothing and the reason in words."""
    if browser is None:
        return None, f"No PDF: Chromium was not found; {HOW_TO_PRINT}."
    with tempfile.TemporaryDirectory(prefix="tubekit-", ignore_cleanup_errors=True) as folder:
        html, pdf = Path(folder) / "record.html", Path(folder) / "record.pdf"
        html.write_bytes(page)
        command = [
            browser, "--headless", "--disable-gpu", "--no-first-run", f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer", f"--print-to-pdf={pdf}", html.as_uri(),
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # Chromium refuses to start for root otherwise
        try:
            code = run(command, PRINT_SECONDS)
        except subprocess.TimeoutExpired:
            return None, f"No PDF: {Path(browser).name} did not finish in {PRINT_SECONDS} s; {HOW_TO_PRINT}."
        except OSError as error:
            return None, f"No PDF: {Path(browser).name} did not start ({error.strerror}); {HOW_TO_PRINT}."
        if pdf.is_file() and pdf.stat().st_size > 0:
            return pdf.read_bytes(), ""
        return (None, f"No PDF: {Path(browser).name} ended with code {code} and made no PDF; {HOW_TO_PRINT}.")


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

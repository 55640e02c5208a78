"""Writing a record: whole or not at all, and never over another without being told."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from tubekit.files import is_there

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
        return (
            None,
            f"No PDF: {Path(browser).name} ended with code {code} and made no PDF; {HOW_TO_PRINT}.",
        )

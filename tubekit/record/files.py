"""Writing a record: whole or not at all, and never over another without being told."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from tubekit.errors import RecordError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
PRINT_SECONDS = 120
HOW_TO_PRINT = "open the HTML file in a browser and print it to PDF"


def write_whole(path: Path, content: bytes, *, overwrite: bool = False) -> None:
    """Write a file so that it is there whole or not at all.

    Raises
    ------
    RecordError : it is there already and `overwrite` is not set, or the folder cannot be written to.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".tubekit-", suffix=".part")
    except OSError as error:
        raise _refused(path, error) from error
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o644)
        _into_place(part, path, overwrite)
    except OSError as error:
        raise _refused(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def _into_place(part: Path, path: Path, overwrite: bool) -> None:
    if overwrite:
        part.replace(path)
        return
    try:
        os.link(part, path)  # fails where something is there, with no moment in between
    except FileExistsError:
        raise already_there(path) from None
    except OSError:  # a file system without links
        if is_there(path):
            raise already_there(path) from None
        part.replace(path)


def is_there(path: Path) -> bool:
    """True where something of this name is there, a dangling link among it.

    Raises
    ------
    RecordError : a name that no file can have.
    """
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, ValueError) as error:
        raise _refused(path, error) from None
    return True


def next_free(path: Path, suffixes: Sequence[str] = (".html", ".pdf")) -> Path:
    """The path itself, or with the next number behind its name, such that none of the files is there.

    Examples
    --------
    >>> next_free(Path("no such record.html")).name
    'no such record.html'
    """
    count, found = 1, path
    while any(is_there(found.with_suffix(suffix)) for suffix in suffixes):
        count += 1
        found = path.with_name(f"{path.stem}-{count}{path.suffix}")
    return found


def already_there(path: Path) -> RecordError:
    """The refusal to write over a file."""
    return RecordError(
        "there is a file of this name already, and nothing was written", where=str(path),
        fix="Choose another name, or ask for it with overwrite=True (--overwrite)",
    )  # fmt: skip


NAMES = (errno.ENAMETOOLONG, errno.EILSEQ, errno.EINVAL)


def _refused(path: Path, error: OSError | ValueError) -> RecordError:
    named = isinstance(error, ValueError) or error.errno in NAMES
    reason = "not a name for a file" if isinstance(error, ValueError) else (error.strerror or "write error")
    return RecordError(
        f"cannot be written ({reason.lower()})", where=str(path).replace("\0", "?"),
        fix="Give a shorter, plainer name" if named else "Name a folder that is there and may be written to",
    )  # fmt: skip


def find_browser() -> str | None:
    """A Chromium that can print pages; None where there is none."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


Run = Callable[[Sequence[str], float], int]


def _run(command: Sequence[str], seconds: float) -> int:
    done = subprocess.run(command, capture_output=True, timeout=seconds, check=False)  # noqa: S603
    return done.returncode


def print_to_pdf(page: bytes, browser: str | None, run: Run = _run) -> tuple[bytes | None, str]:
    """The page as PDF, or nothing and the reason in words."""
    if browser is None:
        return None, f"No PDF: there is no Chromium to print with; {HOW_TO_PRINT}."
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
            f"No PDF: {Path(browser).name} ended with code {code} and printed nothing; {HOW_TO_PRINT}.",
        )

"""A program in which a writer is killed at one step after another; run as a program, since it forks.

A step is a call of the operating system between the first and the last line of `write_whole`: it opens,
writes, flushes, syncs, links, replaces and removes. Writes JSON: each step, and what was there
afterwards.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tubekit import files
from tubekit.pages import export
from tubekit.panels import export_files
from tubekit.panels.amp_form_panel import AmpForm
from tubekit.panels.form import desk


def seen(folder: Path) -> dict[str, str]:
    """Every file under a folder with what it holds."""
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8", errors="replace")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def lay_out(folder: Path, begun: dict[str, str]) -> None:
    """A folder with these files and no other."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, words in begun.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(words, encoding="utf-8")


def step_by_step(write: Callable[[Path], Any], folder: Path, begun: dict[str, str]) -> list[dict[str, Any]]:
    """Run `write` in a child for every step and kill it there; the last one comes to its end.

    Parameters
    ----------
    write : the writer; is given the folder.
    folder : where it writes; laid out afresh as in `begun` before each run.

    Returns
    -------
    list[dict[str, Any]]
        For each run the `step` it was killed at ('' for none) and the files that were `there`, then those
        after one more `write` that was left alone, an hour later by the clock of the disk.
    """
    runs: list[dict[str, Any]] = []
    while not runs or runs[-1]["step"]:
        lay_out(folder, begun)
        step = _killed_at(len(runs) + 1, write, folder)
        there = seen(folder)
        for left in folder.rglob(".tubekit-*.part"):
            os.utime(left, (0, 0))
        _killed_at(0, write, folder)
        runs.append({"step": step, "there": there, "later": seen(folder)})
    return runs


def _killed_at(count: int, write: Callable[[Path], Any], folder: Path) -> str:
    """Name of the step at which the child was killed; '' where it came to its end before."""
    reader, teller = os.pipe()
    child = os.fork()
    if not child:
        os.close(reader)
        if count:
            watched = _Killer(count, teller).writing
            for module in (files, desk, export_files, export):
                module.write_whole = watched  # type: ignore[attr-defined]
        write(folder)
        os._exit(0)
    os.close(teller)
    with os.fdopen(reader) as told:
        step = told.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) != bool(step):
        raise SystemExit(f"the writer ended by itself: {status}, {step!r}")
    return step


class _Killer:
    """Counts the steps of every `write_whole` and ends the process before the one of that number."""

    def __init__(self, count: int, teller: int) -> None:
        self.left, self.teller = count, teller

    def writing(self, *args: Any, **options: Any) -> None:
        """`write_whole`, watched."""
        sys.setprofile(self)
        try:
            WRITE(*args, **options)
        finally:
            sys.setprofile(None)

    def __call__(self, _frame: Any, event: str, given: Any) -> None:
        of = getattr(given, "__module__", None) or type(getattr(given, "__self__", None)).__module__
        if event == "c_call" and of in ("posix", "_io"):
            self.left -= 1
            if not self.left:
                os.write(self.teller, given.__qualname__.encode())
                os.kill(os.getpid(), signal.SIGKILL)


WRITE = files.write_whole


Writer = Callable[[Path], Any]


def export_pages() -> Writer:
    """Export two notebooks as saved; what goes into the pages is calculated once."""
    made: dict[Path, str] = {}
    page_of = export.page_of
    for path in sorted((PLACE / "books").glob("*.ipynb")):
        made[path] = page_of(export.read_notebook(path), path, contents=export.CONTENTS)
    export.page_of = lambda _book, path, contents: made[path]
    return lambda folder: export.export(
        list(made), folder / "out", root=folder / "books", run=False, overwrite=True
    )


def save_form() -> Writer:
    """Type into a form and save it: the draft that is kept is written over, the amp file is new."""
    form = AmpForm("teasel", PLACE)

    def write(_folder: Path) -> None:
        form.put(("amp", "title"), "New title")
        form.save()

    return write


def write_over() -> Writer:
    """Write over one file."""
    return lambda folder: files.write_whole(folder / "a.txt", TEXT, overwrite=True)


def write_new() -> Writer:
    """Write one file under the next free name."""
    return lambda folder: export_files.write_new(TEXT, "a", ".txt", folder)


if __name__ == "__main__":
    PLACE, TEXT, begun = Path(sys.argv[2]), b"new " * 5000, json.loads(sys.stdin.read())
    lay_out(PLACE, begun)
    sys.stdout.write(json.dumps(step_by_step(globals()[sys.argv[1]](), PLACE, begun)))

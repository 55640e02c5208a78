"""``python3 -m tubekit test``: the quick tests; with ``--all`` every test, document and notebook too."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from tubekit.errors import InputError
from tubekit.setup import process
from tubekit.setup.checkout import find_checkout

_MOST_WORKERS = 4  # each holds a whole numpy, scipy and kernel; more gain little

ALL = "--all"
SLOW = "slow"
"""The mark of a test that only ``--all`` runs, or its own path; tests/conftest.py puts it on folders."""


def start(arguments: Sequence[str] = ()) -> int:
    """Exit code of pytest over the checkout; `arguments` but ``--all`` are handed to it.

    Without ``--all``, a path or a mark of the user's own, slow tests are left out.

    Raises InputError outside a checkout, and where the test tools are not installed.
    """
    checkout = find_checkout()
    if checkout is None:
        raise InputError("the tests are in the checkout, not in the installed package", where="test")
    missing = [name for name in ("pytest", "xdist", "nbval") if importlib.util.find_spec(name) is None]
    if missing:
        raise InputError(
            f"not installed: {', '.join(missing)}", where="test", fix="Run pip install -e '.[docs,lab,test]'"
        )
    return process.run_in_front(command(arguments), cwd=checkout.root, env=environment())


def command(arguments: Sequence[str], cores: int | None = None) -> list[str]:
    """The pytest command; the user's arguments come last, so that they win.

    Examples
    --------
    >>> command([], cores=1)[3:], command(["--all"], cores=1)[3:]
    (['-m', 'not slow'], [])
    """
    rest = [each for each in arguments if each != ALL]
    chosen = ALL in arguments or "-m" in rest or any(Path(each.split("::")[0]).exists() for each in rest)
    quick = [] if chosen else ["-m", f"not {SLOW}"]
    cores = cores or os.cpu_count() or 1
    # One more than there are cores: the tests in a browser wait for much of their time.
    workers = min(cores + 1, _MOST_WORKERS) if cores > 1 else 1
    # A notebook's cells share one kernel, so a file stays with one worker.
    spread = ["-n", str(workers), "--dist", "loadfile"] if workers > 1 else []
    return [sys.executable, "-m", "pytest", *spread, *quick, *rest]


def environment() -> dict[str, str]:
    """Variables for the tests: no window opens, and workers do not fight for cores.

    Each worker reads every test file, and many tests start Python again: compiled files are kept for the
    next of them, whatever is said outside.
    """
    quiet = {"MPLBACKEND": "agg", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return {**quiet, **os.environ, "JUPYTER_PREFER_ENV_PATH": "1", "PYTHONDONTWRITEBYTECODE": ""}

"""``python3 -m tubekit test``: every test, docstring, document and notebook, through pytest."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Sequence

from tubekit.errors import InputError
from tubekit.setup import process
from tubekit.setup.checkout import find_checkout

_MOST_WORKERS = 4  # each holds a whole numpy, scipy and kernel; more gain little


def start(arguments: Sequence[str] = ()) -> int:
    """Exit code of pytest over the whole checkout; `arguments` are handed to it.

    Raises InputError outside a checkout, and where the test tools are not installed.
    """
    checkout = find_checkout()
    if checkout is None:
        raise InputError("the tests lie in the checkout, not in the installed package", where="test")
    missing = [name for name in ("pytest", "xdist", "nbval") if importlib.util.find_spec(name) is None]
    if missing:
        raise InputError(
            f"not installed: {', '.join(missing)}", where="test", fix="Run pip install -e '.[lab,test]'"
        )
    return process.run_in_front(command(arguments), cwd=checkout.root, env=environment())


def command(arguments: Sequence[str], cores: int | None = None) -> list[str]:
    """The pytest command; the user's arguments come last, so that they win."""
    cores = cores or os.cpu_count() or 1
    # One more than there are cores: the tests in a browser wait for much of their time.
    workers = min(cores + 1, _MOST_WORKERS) if cores > 1 else 1
    # A notebook's cells share one kernel, so a file stays with one worker.
    spread = ["-n", str(workers), "--dist", "loadfile"] if workers > 1 else []
    return [sys.executable, "-m", "pytest", *spread, *arguments]


def environment() -> dict[str, str]:
    """Variables for the tests: no window opens, and workers do not fight for cores."""
    quiet = {"MPLBACKEND": "agg", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return {**quiet, **os.environ, "JUPYTER_PREFER_ENV_PATH": "1"}

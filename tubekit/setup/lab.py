"""``python3 -m tubekit lab``: the notebooks, in JupyterLab."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

from tubekit.errors import InputError
from tubekit.setup import process
from tubekit.setup.checkout import find_checkout
from tubekit.setup.install import say


def start(arguments: Sequence[str] = ()) -> int:
    """Exit code of JupyterLab on the notebooks; `arguments` are handed to it.

    Raises InputError when JupyterLab or the notebooks are not there.
    """
    if importlib.util.find_spec("jupyterlab") is None:
        raise InputError("JupyterLab is not installed", where="lab", fix="Run pip install 'tubekit[lab]'")
    folder = notebooks()
    # Kernels of this environment come before those that other programs left in the user's home.
    env = {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1"}
    return process.run_in_front(command(folder, arguments), cwd=folder, env=env)


def command(folder: Path, arguments: Sequence[str]) -> list[str]:
    """The JupyterLab command that opens the first notebook in `folder`."""
    first = min((path.name for path in folder.glob("*.ipynb")), default="")
    page = f"/doc/tree/{first}" if first else "/lab"
    words = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={folder}"]
    words.append(f"--LabApp.default_url={page}")
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        words.append(
            "--allow-root"
        )  # in a container there may be nobody else; it listens on this machine only
    return [*words, *arguments]


def notebooks(package: Path | None = None, here: Path | None = None) -> Path:
    """The notebooks' folder: the checkout's own, else a copy in the folder the user is in.

    A copy that is there already is used as it is: the user may have written in it.
    """
    package = package or Path(__file__).resolve().parents[1]
    checkout = find_checkout(package)
    source = (checkout.root if checkout else package) / "notebooks"
    if not source.is_dir():
        raise InputError("the notebooks are not there", where=str(source), fix="Get the checkout whole again")
    if checkout:
        return source
    copy = (here or Path.cwd()) / "tubekit-notebooks"
    if not copy.exists():
        shutil.copytree(source, copy)
        say(f"the notebooks were copied to {copy}")
    return copy

"""``python3 -m tubekit lab``: the notebooks, in JupyterLab."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tubekit.errors import InputError
from tubekit.setup import process
from tubekit.setup.checkout import find_checkout
from tubekit.setup.install import say

SETTINGS: dict[str, dict[str, Any]] = {
    # Nothing is asked of the network, and no question about news lies over the first notebook.
    "@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False},
}
"""What JupyterLab starts from in the checkout's own environment; the user's own settings win."""


WORKBENCH = "TUBEKIT_WORKBENCH"
"""Variable with the file in which panels keep the amp, line voltage and job that were chosen last."""


SILENT = (
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
)
"""What keeps JupyterLab's own server from asking the network for news, updates and extensions."""


def start(arguments: Sequence[str] = ()) -> int:
    """Exit code of JupyterLab on the notebooks; `arguments` are handed to it.

    Raises InputError when JupyterLab or the notebooks are missing.
    """
    if importlib.util.find_spec("jupyterlab") is None:
        raise InputError("JupyterLab is not installed", where="lab", fix="Run pip install 'tubekit[lab]'")
    folder = notebooks()
    settle()
    # Kernels of this environment come before those that other programs left in the user's home.
    env = {**os.environ, "JUPYTER_PREFER_ENV_PATH": "1", WORKBENCH: workbench(folder)}
    return process.run_in_front(command(folder, arguments), cwd=folder, env=env)


def command(folder: Path, arguments: Sequence[str]) -> list[str]:
    """The JupyterLab command that opens the first notebook in `folder`."""
    first = first_notebook(folder)
    page = f"/doc/tree/{first}" if first else "/lab"
    words = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={folder}"]
    words.append(f"--LabApp.default_url={page}")
    words.extend(SILENT)
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        words.append(
            "--allow-root"
        )  # in a container there may be nobody else; it listens on this machine only
    return [*words, *arguments]


def first_notebook(folder: Path) -> str:
    """The name that sorts first, '' where there is no notebook."""
    return min((path.name for path in folder.glob("[!.]*.ipynb")), default="")


def workbench(folder: Path) -> str:
    """Path of the file that says what is on the workbench, beside the notebooks."""
    return str(folder / ".tubekit-workbench.json")


def settle(prefix: Path | None = None, package: Path | None = None) -> None:
    """Write SETTINGS as defaults, only where this Python is the checkout's own environment.

    What stands in the file already is kept; a file that cannot be read or written stays as it is.
    """
    prefix, checkout = prefix or Path(sys.prefix), find_checkout(package)
    if checkout is None or prefix.resolve() != checkout.venv.resolve():
        return
    file = prefix / "share" / "jupyter" / "lab" / "settings" / "overrides.json"
    try:
        text = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
        wanted = {**text, **{key: {**values, **text.get(key, {})} for key, values in SETTINGS.items()}}
        if wanted != text:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(json.dumps(wanted, indent=2), encoding="utf-8")
    except (OSError, ValueError, TypeError):
        say(f"{file} was left as it is: it cannot be read or written")


def notebooks(package: Path | None = None, here: Path | None = None) -> Path:
    """The notebooks' folder: the checkout's own, else a copy in the folder the user is in.

    A copy that is there already is used as it is: the user may have written in it.
    """
    package = package or Path(__file__).resolve().parents[1]
    checkout = find_checkout(package)
    source = (checkout.root if checkout else package) / "notebooks"
    if not source.is_dir():
        raise InputError(
            "the notebooks are missing", where=str(source), fix="Get a complete copy of the checkout"
        )
    if checkout:
        return source
    copy = (here or Path.cwd()) / "tubekit-notebooks"
    if not copy.exists():
        shutil.copytree(source, copy)
        say(f"the notebooks were copied to {copy}")
    return copy

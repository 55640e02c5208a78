"""Commands for notebooks without code: page, export."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import Asked, add_command, number
from tubekit.errors import InputError


def add_page_commands(commands: Any) -> None:
    """Add the commands."""
    words = "Open the notebooks as pages without code, for a tablet."
    parser = commands.add_parser("page", help=words, description=words, allow_abbrev=False)
    parser.set_defaults(answer=_page, json=False)
    parser.add_argument(
        "what", metavar="NOTEBOOK", nargs="?", help="a notebook, or a folder of them (default: all)"
    )
    parser.add_argument("--lan", action="store_true", help="let a tablet on the shop's network open them too")
    parser.add_argument("--port", type=number(1, 65535, whole=True), default=8866, help="first port to try")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser")
    add_command(commands, "export", _export)


def _page(asked: Asked) -> None:
    from tubekit.pages.server import Wanted, serve

    folder, first = _notebook_of(asked.what)
    serve(Wanted(folder, first, asked.lan, asked.port, not asked.no_browser), _say)


def _say(words: str) -> None:
    print(f"tubekit: {words}", file=sys.stderr, flush=True)


def _notebook_of(what: str | None) -> tuple[Path, str]:
    """The folder to serve, and the page to open first."""
    from tubekit.setup.lab import first_notebook, notebooks

    path = Path(what).resolve() if what else notebooks()
    if path.is_dir():
        return path, first_notebook(path)
    if path.suffix == ".ipynb" and path.is_file():
        # Its links lead to other notebooks: those that came with it are served along with it.
        root = next((each for each in path.parents if (each / "00-start-here.ipynb").exists()), path.parent)
        return root, path.relative_to(root).as_posix()
    raise InputError("there is no such notebook", where=str(what), fix="Type a notebook or a folder of them")


def _export(asked: Asked) -> Any:
    from tubekit.pages.export import export
    from tubekit.setup.lab import notebooks

    root = notebooks()
    result = [Path(each).resolve() for each in asked.what] or sorted(root.rglob("*.ipynb"))
    strange = next((each for each in result if each.suffix != ".ipynb" or not each.is_file()), None)
    if strange is not None:
        raise InputError("there is no such notebook", where=str(strange), fix="Type files that end in .ipynb")
    if not all(each.is_relative_to(root) for each in result):
        root = Path(os.path.commonpath([each.parent for each in result]))
    return export(
        [each for each in result if ".ipynb_checkpoints" not in each.parts], Path(asked.to),
        root=root, run=not asked.as_saved, overwrite=asked.overwrite, progress=_say,
    )  # fmt: skip

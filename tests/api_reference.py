"""The API reference: a page for every module, from the docstrings.

    python -m tests.api_reference [folder]

Goes to `build/api`, which git ignores. `python -m pdoc tubekit` alone leaves out the modules of each room
with an ``__all__``, and with them the classes of most results.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import sys
import typing
from dataclasses import is_dataclass
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[1]
WHOLE = ("devices", "circuit", "analyses", "textbook", "amp", "decisions", "bench")
"""Rooms shown module by module; of the others what they name in ``__all__``."""
FRONT = (
    "tubekit", "tubekit.errors", "tubekit.units", "tubekit.tables", "tubekit.text", "tubekit.plots",
    "tubekit.record", "tubekit.panels",
)  # fmt: skip


def modules() -> list[str]:
    """Names of the modules that get a page."""
    rooms = [importlib.import_module(f"tubekit.{room}") for room in WHOLE]
    beneath = [
        result.name for room in rooms for result in pkgutil.walk_packages(room.__path__, f"{room.__name__}.")
    ]
    return [*FRONT, *(room.__name__ for room in rooms), *beneath]


def name_types(module: ModuleType) -> None:
    """Import what the module imports for the type checker only."""
    for block in ast.parse(inspect.getsource(module)).body:
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING":
            exec(compile(ast.Module(block.body, []), module.__name__, "exec"), vars(module))


def resolve(record: type) -> None:
    """Put types for the names in a signature that Python wrote: its fields may come from another module."""
    made = record.__new__ if issubclass(record, tuple) else record.__init__
    hints = typing.get_type_hints(record)
    made.__annotations__.update({name: hints[name] for name in made.__annotations__.keys() & hints.keys()})


def build(folder: Path) -> None:
    """Write the pages, `index.html` among them; warns of whatever is amiss in a docstring or a signature."""
    from pdoc import doc, render

    render.configure(docformat="numpy", show_source=False, search=False)
    result = {name: importlib.import_module(name) for name in modules()}
    for module in result.values():
        for name in getattr(module, "__all__", ()):
            getattr(module, name)  # a room loads its names when they are first used
    loaded = [module for name, module in list(sys.modules.items()) if name.startswith("tubekit.")]
    for module in loaded:
        name_types(module)
    for record in {one for module in loaded for one in vars(module).values() if inspect.isclass(one)}:
        if record.__module__.startswith("tubekit.") and (is_dataclass(record) or hasattr(record, "_fields")):
            resolve(record)
    pages = {name: doc.Module(module) for name, module in result.items()}
    for name, page in pages.items():
        target = folder.joinpath(*name.split(".")).with_suffix(".html")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(render.html_module(page, pages), encoding="utf-8")
    links = "".join(
        f'<li><a href="{name.replace(".", "/")}.html">{name}</a></li>\n' for name in sorted(pages)
    )
    index = f'<!doctype html>\n<meta charset="utf-8">\n<title>tubekit</title>\n<ul>\n{links}</ul>\n'
    (folder / "index.html").write_text(index, encoding="utf-8")


if __name__ == "__main__":
    to = Path(sys.argv[1]) if sys.argv[1:] else ROOT / "build" / "api"
    build(to)
    print(to / "index.html")  # noqa: T201

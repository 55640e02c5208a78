"""The rules of the house, as tests: direction, lint, layout, types, and a light front door."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import grimp
import pytest

import tubekit

DRAWING = ("matplotlib", "ipywidgets", "IPython")
DRAWS = ("tubekit.panels", "tubekit.plots")
# A command imports drawing only when it is asked for.
MAY_REACH_DRAWING = (*DRAWS, "tubekit.cli", "tubekit.record", "tubekit.__main__", "tubekit.setup")


def run(root: Path, *command: str) -> str:
    """What the command printed; a failed assertion when it ended badly."""
    done = subprocess.run([sys.executable, *command], cwd=root, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@cache
def graph() -> grimp.ImportGraph:
    """Who imports whom, what is imported for types only left out."""
    return grimp.build_graph(
        "tubekit", include_external_packages=True, exclude_type_checking_imports=True, cache_dir=None
    )


def beneath(module: str, rooms: tuple[str, ...]) -> bool:
    return any(module == room or module.startswith(room + ".") for room in rooms)


def test_a_lower_room_never_imports_a_higher_one(root: Path) -> None:
    program = "from importlinter.cli import lint_imports_command as c; c()"
    assert "0 broken" in run(root, "-c", program, "--no-cache")


def test_every_room_stands_in_the_order(root: Path) -> None:
    text = (root / "pyproject.toml").read_text(encoding="utf-8")
    contract = tomllib.loads(text)["tool"]["importlinter"]["contracts"][0]
    placed = set(re.findall(r"\w+", " ".join(contract["layers"])))
    rooms = {module.split(".")[1] for module in graph().modules if module.startswith("tubekit.")}
    assert rooms - placed == {"__main__"}, "a new room belongs into the layers of pyproject.toml"


def test_computing_never_draws() -> None:
    importers = {
        importer
        for library in DRAWING
        if library in graph().modules
        for importer in graph().find_modules_that_directly_import(library)
    }
    assert sorted(name for name in importers if not beneath(name, MAY_REACH_DRAWING)) == []


def test_no_room_goes_round_by_the_front_door() -> None:
    """An import from `tubekit` itself would hide which room it comes from. The version lies only there."""
    version = ("tubekit.__main__", "tubekit.cli", "tubekit.record.files")
    importers = graph().find_modules_that_directly_import("tubekit")
    assert sorted(name for name in importers if not beneath(name, version)) == []


def test_lint(root: Path) -> None:
    run(root, "-m", "ruff", "check", "--no-cache", ".")


def test_layout(root: Path) -> None:
    run(root, "-m", "ruff", "format", "--no-cache", "--check", ".")


def test_types(root: Path) -> None:
    run(root, "-m", "mypy", "--no-error-summary")


def test_the_front_door_is_light(root: Path) -> None:
    heavy = ("numpy", "scipy", "pandas", *DRAWING)
    program = f"import sys, tubekit; print([name for name in {heavy!r} if name in sys.modules])"
    assert run(root, "-c", program).strip() == "[]"


def test_computing_rooms_load_without_drawing(root: Path) -> None:
    rooms = [home for home in tubekit._HOMES if not beneath(home, MAY_REACH_DRAWING)]
    program = (
        f"import importlib, sys\nfor room in {rooms!r}: importlib.import_module(room)\n"
        f"print([name for name in {DRAWING!r} if name in sys.modules])"
    )
    assert run(root, "-c", program).strip() == "[]"


def test_reading_an_amp_loads_no_solver(root: Path) -> None:
    heavy = ("networkx", "scipy.integrate", "scipy.optimize", "scipy.special", "tubekit.amp.solve")
    program = (
        "import sys; from tubekit.cli import main; main(['amps'])\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    assert run(root, "-c", program).splitlines()[-1] == "[]"


@pytest.mark.parametrize("name", tubekit.__all__)
def test_every_public_name_is_there_and_explained(name: str) -> None:
    result = getattr(tubekit, name)
    assert getattr(tubekit, name) is result
    assert name in dir(tubekit)
    assert (result.__doc__ or "").strip()
    if name not in tubekit._ROOMS:
        assert ">>> " in result.__doc__, "a doctest runs the example; a name without one is not explained"


def test_a_public_name_is_kept_from_the_room_that_bears_it(root: Path) -> None:
    program = (
        "import tubekit.record, tubekit; from tubekit.record import Record; from tubekit import record\n"
        "print(record is tubekit.record, callable(record), record.__module__)"
    )
    assert run(root, "-c", program).split() == ["True", "True", "tubekit.record.record"]


def test_mypy_is_told_the_same_public_names(root: Path) -> None:
    tree = ast.parse((root / "tubekit" / "__init__.py").read_text(encoding="utf-8"))
    text = {
        alias.asname: node.module
        for branch in ast.walk(tree)
        if isinstance(branch, ast.If)
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert text == {**tubekit._HOME_OF, **dict.fromkeys(tubekit._ROOMS, "tubekit")}


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'amplifier'"):
        _ = tubekit.amplifier


def test_every_dependency_is_pinned_and_no_address_stands_there(root: Path) -> None:
    lines = (root / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = {re.split("==", line)[0] for line in lines if not line.startswith("#")}
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = sum(project["optional-dependencies"].values(), project["dependencies"])
    assert {re.match(r"[\w-]+", need)[0].lower() for need in wanted} <= pins
    assert all(re.fullmatch(r"#.*|[\w.-]+==[\w.]+( ; .+)?", line) for line in lines)
    assert not any("://" in line or line.startswith("-") for line in lines)


def test_nothing_that_names_a_registry_is_kept(root: Path) -> None:
    assert not any((root / name).exists() for name in ("uv.lock", "pylock.toml", "requirements.txt"))


MESSAGE = {"problem", "fix", "trouble"}
ANSWERED = {"headline", "sentence", "finding"}
READERS = {"startswith", "endswith", "split", "partition", "rpartition", "match", "fullmatch"}


def test_nothing_is_decided_by_the_wording_of_a_message_or_the_place_of_a_table() -> None:
    """Errors, notes and findings carry codes, tables keys: nobody reads the words to know what to do."""
    for path in sorted((Path(tubekit.__file__).parent).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            at = f"{path.name}:{getattr(node, 'lineno', 0)}"
            if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Call):
                assert _called(node.value) != "tables", f"{at}: a table taken by its place"
            if isinstance(node, ast.Call) and _called(node) in READERS:
                read = [*node.args, *([node.func.value] if isinstance(node.func, ast.Attribute) else [])]
                assert not any(_is_message(one) for one in read), f"{at}: a message is read"
            if isinstance(node, ast.Compare) and any(isinstance(op, ast.In) for op in node.ops):
                assert not any(_is_message(one) for one in node.comparators), f"{at}: a message is searched"


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _is_message(node: ast.expr) -> bool:
    """`error.problem`, `str(error)`, `report.headline()`."""
    if isinstance(node, ast.Attribute):
        return node.attr in MESSAGE
    if isinstance(node, ast.Call) and _called(node) == "str":
        return bool(node.args) and getattr(node.args[0], "id", "") in ("error", "problem", "failure")
    return isinstance(node, ast.Call) and _called(node) in ANSWERED

"""What a public name takes and gives back is said in its docstring, as numpydoc reads it."""

from __future__ import annotations

import importlib
import inspect
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import tubekit

validation = pytest.importorskip("numpydoc.validate")

ROOMS = (
    "devices", "circuit", "analyses", "textbook", "amp", "decisions", "bench", "jobs", "plots", "record",
    "panels",
)  # fmt: skip
ENOUGH = 0.9
"""Share of the names that say it; what is new says it from the start."""


def public_functions() -> Iterator[str]:
    """Where each public function is: those of the front door and of every room's ``__all__``."""
    named = [(tubekit, name) for name in tubekit.__all__ if name not in tubekit._ROOMS]
    for room in ROOMS:
        module = importlib.import_module(f"tubekit.{room}")
        named += [(module, name) for name in getattr(module, "__all__", ())]
    functions = {getattr(module, name) for module, name in named if inspect.isfunction(getattr(module, name))}
    yield from sorted(f"{one.__module__}.{one.__qualname__}" for one in functions)


@cache
def faults() -> dict[str, set[str]]:
    """The codes that numpydoc gives each public function."""
    return {name: {code for code, _ in validation.validate(name)["errors"]} for name in public_functions()}


@pytest.mark.parametrize(
    ("code", "what"),
    [
        ("PR01", "parameters that are not documented"),
        ("PR02", "parameters that are not there"),
        ("RT01", "no Returns"),
    ],
)
def test_public_functions_say_what_they_take_and_give(code: str, what: str) -> None:
    silent = [name for name, codes in faults().items() if code in codes]
    assert len(silent) <= (1 - ENOUGH) * len(faults()), f"{what}: {silent}"


def test_a_silent_docstring_is_found_out() -> None:
    """The standard library's docstrings are no numpydoc."""
    assert {"PR01", "RT01"} <= {code for code, _ in validation.validate("textwrap.dedent")["errors"]}


@pytest.mark.slow
def test_the_api_reference_builds_without_a_warning(root: Path, tmp_path: Path) -> None:
    pytest.importorskip("pdoc")
    done = subprocess.run(
        [sys.executable, "-W", "error::UserWarning", "-m", "tests.api_reference", str(tmp_path)],
        cwd=root,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    page = (tmp_path / "tubekit" / "amp" / "signal.html").read_text(encoding="utf-8")
    assert all(word in page for word in ("signal_path", "SignalPath", "Parameters", "Returns"))
    assert "tubekit/amp/signal.html" in (tmp_path / "index.html").read_text(encoding="utf-8")

"""The wheel, built and unpacked in a clean place: it brings its tables, amps and notebooks along."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.licenses import license_of, needed


@pytest.fixture(scope="module")
def installed(root: Path, tmp_path_factory) -> Path:
    """A folder that holds what a pure wheel installs: its own files, without the dependencies."""
    if not (root / "README.md").exists():
        pytest.skip("README.md, which the wheel carries as its description, is not written yet")
    built, target = tmp_path_factory.mktemp("built"), tmp_path_factory.mktemp("installed")
    # The build tool of this environment: no download, no isolation.
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(built)],
        cwd=root,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = built.glob("tubekit-*.whl")
    zipfile.ZipFile(wheel).extractall(target)
    return target


def ask(installed: Path, folder: Path, *words: str) -> str:
    env = {**os.environ, "PYTHONPATH": str(installed)}
    env.pop("TUBEKIT_NO_SETUP", None)
    done = subprocess.run([sys.executable, *words], cwd=folder, env=env, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "setting up" not in done.stderr
    return done.stdout


def test_an_installed_tubekit_reads_its_tables(installed: Path, tmp_path: Path) -> None:
    program = (
        "import tubekit, tubekit.tables as t\n"
        "rows = t.handbook('tubes_characteristics')\n"
        "print(tubekit.__file__); print(len(rows)); print(t.data_file('handbook'))"
    )
    where, rows, data = ask(installed, tmp_path, "-c", program).splitlines()
    assert Path(where) == installed / "tubekit" / "__init__.py"
    assert int(rows) > 10
    assert Path(data) == installed / "tubekit" / "data" / "handbook"


def test_an_installed_tubekit_sets_nothing_up(installed: Path, tmp_path: Path) -> None:
    assert "Teasel" in ask(installed, tmp_path, "-m", "tubekit", "amps")
    assert list(tmp_path.iterdir()) == []


def test_the_wheel_holds_what_the_checkout_keeps_and_no_more(installed: Path, root: Path) -> None:
    for room in ("data", "notebooks"):
        kept = {path.relative_to(root / room) for path in files(root / room)}
        assert {
            path.relative_to(installed / "tubekit" / room) for path in files(installed / "tubekit" / room)
        } == kept
    assert {path.name for path in installed.iterdir() if path.suffix != ".dist-info"} == {"tubekit"}
    assert (installed / "tubekit" / "py.typed").is_file()


def test_every_package_that_it_needs_states_its_license() -> None:
    found = needed("tubekit", ("lab", "sheets", "sound"))
    assert {"numpy", "scipy", "jupyterlab", "matplotlib"} <= set(found)
    assert [name for name, one in found.items() if not license_of(one)] == []


def files(folder: Path) -> list[Path]:
    """What lies in a folder, without caches and checkpoints."""
    return [
        path
        for path in folder.rglob("*")
        if path.is_file() and not {"__pycache__", ".ipynb_checkpoints"} & set(path.parts)
    ]

"""The front door: old Pythons, what a command needs, and going on in the environment."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.setup.fakes import FakeTools, installer, posix
from tubekit import __main__ as start
from tubekit.setup import bootstrap, process
from tubekit.setup.checkout import Checkout, find_checkout
from tubekit.setup.install import Installer, SetupError

OLD_PYTHONS_READ = ("tubekit/__init__.py", "tubekit/__main__.py")


@pytest.mark.parametrize("name", OLD_PYTHONS_READ)
def test_old_pythons_can_read_the_front_door(root: Path, name: str) -> None:
    text = (root / name).read_text(encoding="utf-8")
    tree = ast.parse(text, feature_version=(3, 6))
    # feature_version does not know this one: before 3.7 it is a syntax error.
    assert "annotations" not in [
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "__future__"
        for alias in node.names
    ]


def test_an_old_python_gets_one_sentence(monkeypatch, capsys) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 2, "final", 0))
    assert start.run(["swap"]) == 1
    text = capsys.readouterr().err
    assert text.count("\n") == 1
    assert "needs Python 3.11 or newer" in text
    assert "is 3.9" in text


@pytest.mark.parametrize(
    ("arguments", "extras"),
    [
        ([], ("lab",)),
        (["lab", "--no-browser"], ("lab",)),
        (["test", "-x"], ("docs", "lab", "sound", "test")),
        (["listen", "teasel"], ("sound",)),
        (["swap", "teasel", "R14=330"], ()),
        (["--help"], ()),
        (["amps"], ()),
        (["parts", "teasel", "--to", "t.csv"], ()),
        (["swap", "mine.XLSX", "R14=330"], ("sheets",)),
        (["record", "mine.xlsx"], ("lab",)),
    ],
)
def test_a_command_installs_no_more_than_it_needs(arguments, extras) -> None:
    assert bootstrap.extras_for(arguments) == extras


def test_every_extra_that_a_command_needs_is_in_pyproject(root: Path) -> None:
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert set(sum(bootstrap._EXTRAS.values(), ())) <= set(project["optional-dependencies"])


def test_an_installed_tubekit_is_left_alone(tmp_path: Path) -> None:
    assert find_checkout(tmp_path / "site-packages" / "tubekit") is None
    (tmp_path / "pyproject.toml").write_text('[project]\nname = "another"\n')
    assert find_checkout(tmp_path / "tubekit") is None


def test_the_checkout_is_found(root: Path) -> None:
    assert find_checkout() == Checkout(root)


@pytest.mark.parametrize("value", ["1", "yes"])
def test_set_up_can_be_declined(place: Checkout, value: str) -> None:
    bootstrap.ensure(
        [], checkout=place, installer=installer(FakeTools(place)), environ={bootstrap.SKIP: value}
    )
    assert not place.venv.exists()


def test_inside_its_environment_the_command_just_runs(ready: Checkout, monkeypatch) -> None:
    monkeypatch.setattr(sys, "prefix", str(ready.venv))
    tools, environ = FakeTools(ready), {bootstrap._MARK: str(ready.venv)}
    bootstrap.ensure(["lab"], checkout=ready, installer=installer(tools), environ=environ)
    assert tools.calls == []
    assert environ == {}


def test_outside_it_goes_on_in_the_environment(ready: Checkout, monkeypatch) -> None:
    went = []
    monkeypatch.setattr(process, "go_on_in", lambda *call: went.append(call) or 5)
    environ = {"PYTHONHOME": "x", "VIRTUAL_ENV": "other", "HOME": "me"}
    with pytest.raises(SystemExit) as left:
        bootstrap.ensure(["lab", "--no-browser"], checkout=ready, environ=environ)
    assert left.value.code == 5
    env = {"HOME": "me", "VIRTUAL_ENV": str(ready.venv), bootstrap._MARK: str(ready.venv)}
    assert went == [(ready.python, ["lab", "--no-browser"], env)]
    with pytest.raises(SetupError, match="does not start in its own"):
        bootstrap.ensure(["lab"], checkout=ready, environ=env)


def test_a_place_that_cannot_be_written_says_so(place: Checkout, tools: FakeTools) -> None:
    place.lock.mkdir()  # stands in for a read-only folder, which root could write to
    with pytest.raises(SetupError, match=r"tubekit-setup\.lock: .*can be written to"):
        bootstrap.ensure(["swap"], checkout=place, installer=installer(tools), environ={})
    assert tools.calls == []


def test_a_full_disk_says_so(place: Checkout) -> None:
    def full(command, **_):
        raise OSError(28, "No space left on device", str(place.venv))

    broken = Installer(place, run=full, uv="uv", environ={})
    with pytest.raises(SetupError, match=r"\.venv: No space left on device.*same command"):
        bootstrap.ensure(["swap"], checkout=place, installer=broken, environ={})


@posix
def test_the_whole_way_with_a_tiny_program(ready: Checkout, root: Path) -> None:
    """A real process: the front door, the restart in .venv, the program's own answer and exit code."""
    for name in ("__init__.py", "__main__.py", "errors.py"):
        shutil.copy(root / "tubekit" / name, ready.root / "tubekit" / name)
    shutil.copytree(root / "tubekit" / "setup", ready.root / "tubekit" / "setup")
    (ready.root / "tubekit" / "cli.py").write_text(
        "import sys\ndef main(argv):\n    print(sys.prefix, *argv)\n    return 3\n"
    )
    done = subprocess.run(
        [sys.executable, "-m", "tubekit", "swap", "--json"],
        cwd=ready.root,
        env={**os.environ, "PYTHONPATH": "", bootstrap.SKIP: ""},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stdout.split() == [str(ready.venv), "swap", "--json"], done.stderr
    assert done.stderr == ""
    assert done.returncode == 3

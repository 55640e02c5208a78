"""Small stand-ins for uv, pip and venv: no network, nothing installed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tubekit.setup.checkout import Checkout
from tubekit.setup.install import Installer

posix = pytest.mark.skipif(os.name == "nt", reason="POSIX signals and folders")


def package(folder: Path, name: str) -> Path:
    """A package as an installer leaves it: its file, and the note that lists it."""
    note = folder / f"{name}-1.0.dist-info"
    note.mkdir()
    (folder / f"{name}.py").touch()
    (note / "INSTALLER").write_text("fake\n")
    (note / "RECORD").write_text(f"{name}.py,,\n{note.name}/INSTALLER,,\n__pycache__/{name}.pyc,,\n")
    return note


class FakeTools:
    """uv, venv and pip that act on the checkout's folder; `fails` names those that end badly."""

    def __init__(self, place: Checkout, *fails: str) -> None:
        self.place, self.fails, self.calls, self.env = place, fails, [], {}
        self.compiled: tuple[str, ...] = ()

    def __call__(self, command, *, cwd, env):
        name = Path(command[0]).name
        tool = "uv " + command[1] if name == "uv" else command[2]
        if tool == "compileall":
            self.compiled = tuple(command)
            return 0
        self.calls.append((tool, tuple(command)))
        self.env = dict(env)
        assert cwd == self.place.root
        assert not self.place.stamp.exists(), "an environment at work must not look finished"
        if tool in self.fails:
            return 2
        return self.make(with_pip=tool == "venv") if "venv" in tool else self.fill()

    def make(self, with_pip: bool = False) -> int:
        subprocess.run(
            [sys.executable, "-m", "venv", "--without-pip", str(self.place.venv)], check=True, timeout=60
        )
        if with_pip:
            package(self.place.packages, "pip")
        return 0

    def fill(self) -> int:
        for name in ("numpy", "tubekit"):
            if not (self.place.packages / f"{name}-1.0.dist-info").exists():
                package(self.place.packages, name)
        return 0

    @property
    def tools(self) -> list[str]:
        return [tool for tool, _ in self.calls]


@pytest.fixture
def place(tmp_path: Path) -> Checkout:
    (tmp_path / "pyproject.toml").write_text('[project]\nname = "tubekit"\n')
    (tmp_path / "constraints.txt").write_text("numpy==1.0\n")
    (tmp_path / "tubekit").mkdir()
    return Checkout(tmp_path)


@pytest.fixture
def tools(place: Checkout) -> FakeTools:
    return FakeTools(place)


def installer(tools: FakeTools, uv: str = "uv", environ=None) -> Installer:
    return Installer(tools.place, run=tools, uv=uv, environ=environ or {"PATH": os.environ["PATH"]})


@pytest.fixture
def ready(place: Checkout) -> Checkout:
    installer(FakeTools(place)).install(["lab"])
    return place

"""Make or mend a checkout's environment, with uv when it is there, else with venv and pip."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from tubekit.errors import TubekitError
from tubekit.setup import process
from tubekit.setup.checkout import Checkout, half_installed, read_stamp, write_stamp

# What venv and uv put into a new environment's folder, also before pyvenv.cfg is there.
_OF_AN_ENVIRONMENT = frozenset(
    {".gitignore", ".lock", "bin", "CACHEDIR.TAG", "include", "Include", "lib", "Lib", "lib64", "pyvenv.cfg"}
    | {"Scripts", "share", "tubekit-stamp.json", "tubekit-stamp.new"}
)
_RESUMES = (
    "Usual causes: no network, a proxy or package index that does not answer, a full disk. Nothing is lost: "
    "what has arrived is kept, and the same command goes on from there"
)
_NO_VENV = (
    "this Python ({python}) cannot make an environment: its venv module is missing. Debian and Ubuntu keep "
    "it in a package of its own: sudo apt install python3-venv. Then run the same command again"
)


class SetupError(TubekitError):
    """Set-up could not be finished; the message says what failed and what to do."""


def say(words: str) -> None:
    """One line of progress, kept out of a command's answer."""
    print(f"tubekit: {words}", file=sys.stderr, flush=True)


@dataclass(frozen=True)
class Installer:
    """Sets up one checkout.

    Parameters
    ----------
    checkout : where.
    run : starts a program, its output going to stderr, and returns the exit code.
    uv : uv's path, '' when there is none.
    base : the interpreter that the environment is made from.
    environ : the user's environment variables.
    """

    checkout: Checkout
    run: Callable[..., int] = process.run
    uv: str = field(default_factory=lambda: shutil.which("uv") or "")
    # Inside another environment this is the Python that one was made from.
    base: str = field(default_factory=lambda: getattr(sys, "_base_executable", "") or sys.executable)
    environ: Mapping[str, str] = field(default_factory=lambda: os.environ)

    def install(self, need: Iterable[str]) -> None:
        """Bring core, the extras installed before and `need` into the environment; stamp it when all is in.

        Raises SetupError when it could not be finished.
        """
        before = read_stamp(self.checkout)
        extras = sorted(set(need) | set(before.extras if before else ()))
        if not self.checkout.venv.is_dir() or (before and before.root != str(self.checkout.root)):
            clear(self.checkout.venv)  # an environment holds its own address and cannot be moved
        # From here to the end the environment is not to be trusted by any other run.
        self.checkout.stamp.unlink(missing_ok=True)
        if not (self.uv and self._with_uv(extras)):
            self._with_pip(extras)
        # Where Python may not keep what it compiles, every command would compile it again: half a second.
        self._do(self._python, "-m", "compileall", "-q", "tubekit")
        write_stamp(self.checkout, extras)
        say("set-up done")

    def _with_uv(self, extras: list[str]) -> bool:
        say(f"installing with uv into {self.checkout.venv}")
        venv = ("venv", "--quiet", "--python", self.base, str(self.checkout.venv))
        made = self._usable() or self._do(self.uv, *venv) == 0
        self._forget_half_installed()
        what = ("--compile-bytecode", "--constraints", "constraints.txt", "--editable", self._wanted(extras))
        if made and self._do(self.uv, "pip", "install", "--python", self._python, *what) == 0:
            return True
        say("uv failed (see its messages above); trying venv and pip instead")
        return False

    def _with_pip(self, extras: list[str]) -> None:
        usable = self._usable()
        self._forget_half_installed()
        if not usable or not any(name.startswith("pip-") for name in self.checkout.installed()):
            self._make_with_venv()
        say(f"installing with pip into {self.checkout.venv}; the first time this takes a few minutes")
        pip = ("-m", "pip", "install", "--no-input", "--disable-pip-version-check")
        what = ("--constraint", "constraints.txt", "--editable", self._wanted(extras))
        self._must("pip could not install the packages that tubekit needs", self._python, *pip, *what)

    def _make_with_venv(self) -> None:
        if any(importlib.util.find_spec(name) is None for name in ("venv", "ensurepip")):
            if self.uv:
                raise SetupError(f"set-up stopped: uv failed, and this Python has no venv module. {_RESUMES}")
            raise SetupError(_NO_VENV.format(python=self.base))
        say(f"making {self.checkout.venv}")
        venv = str(self.checkout.venv)
        self._must(f"venv could not make {venv}", self.base, "-m", "venv", venv)

    def _must(self, failure: str, *command: str) -> None:
        if code := self._do(*command):
            raise SetupError(
                f"set-up stopped: {failure} (exit code {code}; see its messages above). {_RESUMES}"
            )

    def _do(self, *command: str) -> int:
        # pip.conf may ask for user installs, which an environment refuses.
        env = {**process.clean_environment(self.checkout.venv, self.environ), "PIP_USER": "0"}
        return self.run(command, cwd=self.checkout.root, env=env)

    @property
    def _python(self) -> str:
        return str(self.checkout.python)

    @staticmethod
    def _wanted(extras: list[str]) -> str:
        return f".[{','.join(extras)}]" if extras else "."

    def _usable(self) -> bool:
        """Whether the environment's Python starts and is new enough. What is of no use is cleared away."""
        question = "import sys; sys.exit(sys.version_info < (3, 11) or sys.prefix == sys.base_prefix)"
        env = process.clean_environment(self.checkout.venv, self.environ)
        try:
            asked = subprocess.run(
                [self.checkout.python, "-c", question], env=env, capture_output=True, timeout=60, check=False
            )
            if asked.returncode == 0 and self.checkout.packages:
                return True
        except (OSError, subprocess.TimeoutExpired):
            pass
        clear(self.checkout.venv)
        return False

    def _forget_half_installed(self) -> None:
        """An installer takes a package for whole when its dist-info is there; these are not."""
        folder = self.checkout.packages
        for note in half_installed(folder) if folder else ():
            say(f"{note.name.split('-')[0]} was half installed; installing it again")
            shutil.rmtree(note)


def clear(venv: Path) -> None:
    """Remove an environment, whole or half made; refuse what looks like anything else."""
    if not os.path.lexists(venv):
        return
    if venv.is_symlink() or not venv.is_dir():
        raise SetupError(
            f"{venv} is not a folder, so an environment cannot be made there. Move it away and run again"
        )
    strange = sorted(entry.name for entry in venv.iterdir() if entry.name not in _OF_AN_ENVIRONMENT)
    if strange and not (venv / "pyvenv.cfg").is_file():
        raise SetupError(
            f"{venv} exists, but is not a Python environment (it contains {', '.join(strange[:3])}). "
            "It was left as it is: move it away and run again"
        )
    say(f"removing {venv}: it cannot be used")
    shutil.rmtree(venv)

"""A checkout, its environment, and what is known of both without starting anything."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

PINS = ("pyproject.toml", "constraints.txt")
WINDOWS = os.name == "nt"


@dataclass(frozen=True)
class Checkout:
    """The folder that holds pyproject.toml, and the places that set-up uses in it."""

    root: Path

    @property
    def venv(self) -> Path:
        """The environment's folder."""
        return self.root / ".venv"

    @property
    def python(self) -> Path:
        """The environment's interpreter."""
        return self.venv / ("Scripts/python.exe" if WINDOWS else "bin/python")

    @property
    def stamp(self) -> Path:
        """The note of what was wholly installed; absent while an installation is under way."""
        return self.venv / "tubekit-stamp.json"

    @property
    def lock(self) -> Path:
        """Held while one run sets up. Outside the environment, which may be cleared."""
        return self.root / ".tubekit-setup.lock"

    @property
    def packages(self) -> Path | None:
        """The environment's site-packages, or None where there is none."""
        result = sorted(self.venv.glob("Lib/site-packages" if WINDOWS else "lib/*/site-packages"))
        return result[0] if result else None

    def digest(self) -> str:
        """What the environment is made from: pyproject.toml and constraints.txt, as one hash."""
        whole = hashlib.sha256()
        for name in PINS:
            whole.update(name.encode() + b"\0" + (self.root / name).read_bytes() + b"\0")
        return whole.hexdigest()

    def interpreter(self) -> str:
        """What the environment's Python is, as one hash; '' where it or its base is gone."""
        try:
            note = (self.venv / "pyvenv.cfg").read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return ""
        home = re.search(r"^home\s*=\s*(.+?)\s*$", note, re.MULTILINE)
        if not self.python.exists() or home is None or not Path(home[1]).is_dir():
            return ""
        return hashlib.sha256(f"{self.python.resolve()}\n{note}".encode()).hexdigest()

    def installed(self) -> tuple[str, ...]:
        """The packages installed, as the names of their dist-info folders."""
        folder = self.packages
        return tuple(sorted(note.name for note in folder.glob("*.dist-info"))) if folder else ()


@dataclass(frozen=True)
class Stamp:
    """What an environment was when its installation ended well."""

    root: str
    digest: str
    interpreter: str
    extras: tuple[str, ...]
    installed: tuple[str, ...]


def find_checkout(package: Path | None = None) -> Checkout | None:
    """The checkout that the package folder lies in, or None when tubekit was installed instead."""
    root = (package or Path(__file__).resolve().parents[1]).parent
    try:
        text = (root / "pyproject.toml").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return Checkout(root) if re.search(r'^name\s*=\s*"tubekit"', text, re.MULTILINE) else None


def read_stamp(checkout: Checkout) -> Stamp | None:
    """The stamp, or None where it is missing or damaged."""
    try:
        text = json.loads(checkout.stamp.read_text(encoding="utf-8"))
        return Stamp(**{**text, "extras": tuple(text["extras"]), "installed": tuple(text["installed"])})
    except (OSError, ValueError, TypeError, KeyError):
        return None


def write_stamp(checkout: Checkout, extras: Sequence[str]) -> None:
    """Note that core and `extras` are wholly installed. Readers see the old stamp or the new one."""
    stamp = Stamp(
        str(checkout.root), checkout.digest(), checkout.interpreter(), tuple(extras), checkout.installed()
    )
    beside = checkout.stamp.with_suffix(".new")
    beside.write_text(json.dumps(asdict(stamp), indent=1), encoding="utf-8")
    beside.replace(checkout.stamp)


def reason_to_install(checkout: Checkout, need: Iterable[str]) -> str:
    """Why something must be installed before `need` (extras) is there; '' when all is in place."""
    if not checkout.venv.is_dir():
        return "there is no environment yet"
    stamp = read_stamp(checkout)
    if stamp is None:
        return "an earlier set-up was not finished"
    if fault := _fault(checkout, stamp):
        return fault
    wanted = sorted(set(need) - set(stamp.extras))
    return f"'{' and '.join(wanted)}' is not installed yet" if wanted else ""


def _fault(checkout: Checkout, stamp: Stamp) -> str:
    if stamp.interpreter != checkout.interpreter():
        return "the environment's Python was changed or removed"
    if stamp.root != str(checkout.root):
        return "the checkout was moved"
    if stamp.digest != checkout.digest():
        return f"{' or '.join(PINS)} has changed"
    gone = sorted(set(stamp.installed) - set(checkout.installed()))
    names = ", ".join(name.split("-")[0] for name in gone[:3])
    return f"packages are gone or changed ({names})" if gone else ""


def half_installed(packages: Path) -> tuple[Path, ...]:
    """The dist-info folders of packages that an interrupted installation left incomplete."""
    return tuple(note for note in sorted(packages.glob("*.dist-info")) if not _whole(packages, note))


def _whole(packages: Path, note: Path) -> bool:
    try:
        with (note / "RECORD").open(encoding="utf-8", newline="") as lines:
            files = [row[0] for row in csv.reader(lines) if row]
    except (OSError, UnicodeDecodeError, csv.Error):
        return False
    # Bytecode may be cleared by anyone, and comes back by itself.
    needed = [file for file in files if not file.endswith(".pyc")]
    return (note / "INSTALLER").is_file() and all(os.path.lexists(packages / file) for file in needed)

"""Before any command: see that the checkout's environment holds what the command needs, and go on in it.

A tubekit that was installed (no checkout around it) is left alone, and so is one that is told
``TUBEKIT_NO_SETUP=1``: it then runs in the Python it was started with.
"""

from __future__ import annotations

import os
import sys
from collections.abc import MutableMapping, Sequence
from pathlib import Path

from tubekit.setup import process
from tubekit.setup.checkout import Checkout, find_checkout, reason_to_install
from tubekit.setup.guard import only_one
from tubekit.setup.install import Installer, SetupError, say

SKIP = "TUBEKIT_NO_SETUP"
_MARK = "_TUBEKIT_STARTED_IN"  # set for the restart in .venv, so that it cannot go round in circles

# Commands that need more than numpy and scipy.
_EXTRAS = {
    **dict.fromkeys(("", "lab", "record", "page", "export"), ("lab",)),
    "listen": ("sound",),
    "test": ("docs", "lab", "sound", "test"),
}


def extras_for(arguments: Sequence[str]) -> tuple[str, ...]:
    """The extras of pyproject.toml that the command in `arguments` needs.

    Examples
    --------
    >>> extras_for(["swap", "teasel", "--json"]), extras_for([]), extras_for(["test", "-x"])
    ((), ('lab',), ('docs', 'lab', 'sound', 'test'))
    """
    words = [word for word in arguments if not word.startswith("-")]
    command = words[0] if words else ""
    extras = () if arguments and not command else _EXTRAS.get(command, ())
    workbook = any(word.lower().endswith(".xlsx") for word in arguments)
    return (*extras, "sheets") if workbook and "lab" not in extras else extras


def ensure(
    arguments: Sequence[str],
    *,
    checkout: Checkout | None = None,
    installer: Installer | None = None,
    environ: MutableMapping[str, str] = os.environ,
) -> None:
    """Return once this process can do the command; otherwise set up, then start again in the environment.

    Raises SetupError when set-up failed, KeyboardInterrupt when it was stopped.
    """
    checkout = checkout or find_checkout()
    if checkout is None or environ.get(SKIP, "0") not in {"", "0"}:
        return
    need = extras_for(arguments)
    try:
        if reason_to_install(checkout, need):
            _set_up(checkout, need, installer or Installer(checkout))
    except OSError as error:
        place = error.filename or checkout.root
        raise SetupError(
            f"set-up stopped: {place}: {error.strerror or error}. See that the folder can be written to and "
            "the disk is not full, then run the same command again: what has arrived is kept"
        ) from error
    except KeyboardInterrupt:
        raise KeyboardInterrupt("set-up was stopped; run the same command to continue") from None
    if _inside(checkout.venv):
        environ.pop(_MARK, None)
        return
    _go_on(checkout, arguments, environ)


def _set_up(checkout: Checkout, need: Sequence[str], installer: Installer) -> None:
    with only_one(checkout.lock, say), process.stops_raise():
        # Another run may have done it while this one waited.
        if reason := reason_to_install(checkout, need):
            say(f"setting up ({reason})")
            installer.install(need)


def _inside(venv: Path) -> bool:
    return Path(sys.prefix).resolve() == venv.resolve()


def _go_on(checkout: Checkout, arguments: Sequence[str], environ: MutableMapping[str, str]) -> None:
    if environ.get(_MARK) == str(checkout.venv):
        raise SetupError(
            f"{checkout.python} does not start in its own environment. Remove {checkout.venv} and run again"
        )
    env = {**process.clean_environment(checkout.venv, environ), _MARK: str(checkout.venv)}
    sys.exit(process.go_on_in(checkout.python, arguments, env))

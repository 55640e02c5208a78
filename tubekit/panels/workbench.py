"""The workbench: the amp, its line voltage and the job chosen last, for the page that is opened next."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Any

from IPython import get_ipython

from tubekit.amp import Amp, demo_names, load_amp
from tubekit.errors import RecordError
from tubekit.files import write_whole
from tubekit.setup.lab import WORKBENCH


def lies_there(what: str) -> Any:
    """The 'amp', 'mains' or 'job' that a hand chose last; None where none did, or nothing is kept here."""
    return _read().get(what)


def lay_down(key: str, value: Any) -> None:
    """Keep what a hand chooses, where `python3 -m tubekit` has started this; an amp has its own mains."""
    place = os.environ.get(WORKBENCH)
    if place and key in ("amp", "mains", "job") and by_hand():
        if isinstance(value, Amp):
            of_demo = value.name in demo_names() and load_amp(value.name).source == value.source
            value = value.name if of_demo else str(value.source)
        kept = {**_read(), key: value, **({"mains": None} if key == "amp" else {})}
        with contextlib.suppress(RecordError):  # a folder that cannot be written to
            write_whole(Path(place), json.dumps(kept).encode(), overwrite=True)


def by_hand() -> bool:
    """Whether this is done for a page in the browser, not for a cell or a program."""
    shell = get_ipython()
    parent = shell.get_parent() if hasattr(shell, "get_parent") else {}
    return bool(parent.get("header", {}).get("msg_type") == "comm_msg")


def _read() -> dict[str, Any]:
    try:
        kept = json.loads(Path(os.environ[WORKBENCH]).read_text(encoding="utf-8"))
    except (KeyError, OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}

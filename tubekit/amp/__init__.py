"""The amp: its description in a file, swaps, the coupled solve of supply and amp, the report.

Names load their file when first used, so that reading an amp file needs no solver.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tubekit.amp.amp import Amp as Amp
    from tubekit.amp.load import amp_from_text as amp_from_text, load_amp as load_amp
    from tubekit.amp.read import demo_names as demo_names
    from tubekit.amp.report import AmpReport as AmpReport, analyze as analyze

_HOMES = {
    "Amp": "amp",
    "AmpReport": "report",
    "amp_from_text": "load",
    "analyze": "report",
    "demo_names": "read",
    "load_amp": "load",
}

__all__ = [*_HOMES]  # noqa: PLE0604 - made from the table above, so that there is one list


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

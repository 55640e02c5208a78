"""The amp: its description in a file, swaps, the coupled solve of supply and amp, the report.

Names load their file when first used, so that reading an amp file needs no solver.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tubekit.lazy import lazy_names

if TYPE_CHECKING:
    from tubekit.amp.amp import Amp as Amp
    from tubekit.amp.load import amp_from_text as amp_from_text, load_amp as load_amp
    from tubekit.amp.report import AmpReport as AmpReport, analyze as analyze
    from tubekit.files import demo_names as demo_names

_HOMES = {
    "amp": ("Amp",),
    "load": ("amp_from_text", "demo_names", "load_amp"),
    "report": ("AmpReport", "analyze"),
}
__getattr__, __all__ = lazy_names(__name__, _HOMES)

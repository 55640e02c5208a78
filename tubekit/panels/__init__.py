"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.cathode_bias import CathodeBiasPanel, cathode_bias
from tubekit.panels.hum import HumPanel, hum
from tubekit.panels.load_line import LoadLinePanel, load_line
from tubekit.panels.part_swap import PartSwap, part_swap
from tubekit.panels.supply import SupplyPanel, supply
from tubekit.panels.tone import TonePanel, tone

__all__ = [
    "CathodeBiasPanel",
    "HumPanel",
    "LoadLinePanel",
    "PartSwap",
    "SupplyPanel",
    "TonePanel",
    "cathode_bias",
    "hum",
    "load_line",
    "part_swap",
    "supply",
    "tone",
]

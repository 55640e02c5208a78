"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.cathode_bias_panel import CathodeBiasPanel, cathode_bias
from tubekit.panels.hum_panel import HumPanel, hum
from tubekit.panels.load_line_panel import LoadLinePanel, load_line
from tubekit.panels.part_swap_panel import PartSwap, part_swap
from tubekit.panels.supply_panel import SupplyPanel, supply
from tubekit.panels.tone_panel import TonePanel, tone

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

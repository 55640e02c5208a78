"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.cathode_bias import CathodeBiasPanel, cathode_bias
from tubekit.panels.load_line import LoadLinePanel, load_line
from tubekit.panels.part_swap import PartSwap, part_swap
from tubekit.panels.supply import SupplyPanel, supply

__all__ = [
    "CathodeBiasPanel",
    "LoadLinePanel",
    "PartSwap",
    "SupplyPanel",
    "cathode_bias",
    "load_line",
    "part_swap",
    "supply",
]

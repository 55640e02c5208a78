"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.cathode_bias import CathodeBiasPanel, cathode_bias
from tubekit.panels.load_line import LoadLinePanel, load_line
from tubekit.panels.part_swap import PartSwap, part_swap

__all__ = ["CathodeBiasPanel", "LoadLinePanel", "PartSwap", "cathode_bias", "load_line", "part_swap"]

"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.load_line import LoadLinePanel, load_line
from tubekit.panels.part_swap import PartSwap, part_swap

__all__ = ["LoadLinePanel", "PartSwap", "load_line", "part_swap"]

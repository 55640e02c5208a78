"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.part_swap import PartSwap, part_swap

__all__ = ["PartSwap", "part_swap"]

"""Ink: figures of results. Every function takes a result and gives back figure, axes, lines.

Nothing here computes, and no result draws itself.
"""

from tubekit.plots.before_after import before_after
from tubekit.plots.bias import cathode_bias
from tubekit.plots.cable_view import cable
from tubekit.plots.cycle import ripple
from tubekit.plots.drawing import Drawing
from tubekit.plots.fit_residuals import residuals
from tubekit.plots.hum_view import hum
from tubekit.plots.ladder import rails
from tubekit.plots.load_line_view import load_line
from tubekit.plots.ratings import ratings
from tubekit.plots.schematics import schematic, schematic_pages, schematic_sections, schematic_table
from tubekit.plots.spread_bands import bands, chances
from tubekit.plots.substitutes_view import substitutes
from tubekit.plots.supply import discharge, regulation, switch_on
from tubekit.plots.tone_view import tone

__all__ = [
    "Drawing",
    "bands",
    "before_after",
    "cable",
    "cathode_bias",
    "chances",
    "discharge",
    "hum",
    "load_line",
    "rails",
    "ratings",
    "regulation",
    "residuals",
    "ripple",
    "schematic",
    "schematic_pages",
    "schematic_sections",
    "schematic_table",
    "substitutes",
    "switch_on",
    "tone",
]

"""Ink: figures of results. Every function takes a result and gives back figure, axes, lines.

Nothing here computes, and no result draws itself. A function loads its module when it is first used.
"""

from tubekit.lazy import lazy_names
from tubekit.plots.ratings import ratings as ratings  # its module has the same name and would hide it

_HOMES = {
    "accuracy_view": ("accuracy",),
    "before_after_view": ("before_after",),
    "bias": ("cathode_bias",),
    "cable_view": ("cable",),
    "cycle": ("ripple",),
    "ink": ("Drawing",),
    "fit_residuals": ("residuals",),
    "hum_view": ("hum",),
    "listen_view": ("listen",),
    "load_line_view": ("load_line",),
    "ratings": ("ratings",),
    "schematics": ("schematic", "schematic_pages", "schematic_sections", "schematic_table"),
    "spread_bands": ("bands", "chances"),
    "substitutes_view": ("substitutes",),
    "supply": ("discharge", "rails", "regulation", "switch_on"),
    "tone_view": ("tone",),
}
__getattr__, __all__ = lazy_names(__name__, _HOMES)

"""The circuit's parts in a technician's words."""

from __future__ import annotations

_LABELS = {
    "grid_plate": "grid-plate capacitance",
    "grid_cathode": "grid-cathode capacitance",
    "plate_cathode": "plate-cathode capacitance",
    "grid_wiring": "grid wiring",
    "plate_wiring": "plate wiring",
    "winding1": "winding capacitance 1",
    "winding2": "winding capacitance 2",
    "copper": "winding resistance",
    "top": "above the wiper",
    "bottom": "below the wiper",
    "contact": "wiper contact",
    "cone": "cone",
    "mass": "cone mass",
    "stiffness": "cone stiffness",
    "heater": "heater",
}


def part_words(name: str) -> str:
    """A circuit part as a technician would call it.

    Examples
    --------
    >>> part_words("V1a.grid_plate"), part_words("C4"), part_words("V3.heater1_leak")
    ('V1a grid-plate capacitance', 'C4', 'V3 heater1 leak')
    """
    owner, _, label = name.partition(".")
    return f"{owner} {_LABELS.get(label, label.replace('_', ' '))}" if label else owner

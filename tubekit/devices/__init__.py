"""Devices: tubes, diodes and controls as laws from voltages to currents, and the tube catalogue."""

from tubekit.devices.law import Law, stack
from tubekit.devices.pentode import Pentode
from tubekit.devices.rectifier import IdealDiode, RectifierLaw, SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode

__all__ = [
    "IdealDiode",
    "Law",
    "Pentode",
    "RectifierLaw",
    "SiliconDiode",
    "Triode",
    "TubeDiode",
    "stack",
]

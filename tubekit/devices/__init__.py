"""Devices: tubes, diodes and controls as laws from voltages to currents, and the tube catalogue."""

from tubekit.devices.catalogue import add_tube, silicon, tube, tube_types
from tubekit.devices.law import Law, stack
from tubekit.devices.pentode import Pentode
from tubekit.devices.points_fit import fit_tube
from tubekit.devices.potentiometer import fraction
from tubekit.devices.rectifier import GasDiode, IdealDiode, RectifierLaw, SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode
from tubekit.devices.tube_fit import TubeFit
from tubekit.devices.tube_point import TubePoint
from tubekit.devices.tube_record import Ratings, Tube

__all__ = [
    "GasDiode",
    "IdealDiode",
    "Law",
    "Pentode",
    "Ratings",
    "RectifierLaw",
    "SiliconDiode",
    "Triode",
    "Tube",
    "TubeDiode",
    "TubeFit",
    "TubePoint",
    "add_tube",
    "fit_tube",
    "fraction",
    "silicon",
    "stack",
    "tube",
    "tube_types",
]

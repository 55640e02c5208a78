"""The parts of an amp as drawn: one frozen record per kind, in the technician's words.

Values are SI floats, or 1-D arrays with one value per member of a batch. `condition` says whether a
part is fitted, has gone open, or is shorted; the drawn value is kept either way.
"""

from __future__ import annotations

from tubekit.amp.parts.diodes import Diode, SeleniumRectifier, ZenerDiode
from tubekit.amp.parts.loads import Lamp, Loudspeaker, ReverbTank
from tubekit.amp.parts.part import GROUND, Part, TwoTerminal
from tubekit.amp.parts.regulators import GasTube
from tubekit.amp.parts.resistors import Capacitor, LPad, Potentiometer, Resistor, Thermistor
from tubekit.amp.parts.switches import Connector, Fuse, Jack, MainsPlug, Selector, Switch, Wire, input_jacks
from tubekit.amp.parts.transformers import Choke, OutputTransformer, PowerTransformer, Transformer, Winding
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube

KINDS: tuple[type[Part], ...] = (
    Resistor,
    Thermistor,
    Capacitor,
    Potentiometer,
    LPad,
    Choke,
    PowerTransformer,
    OutputTransformer,
    Tube,
    RectifierTube,
    GasTube,
    Diode,
    SeleniumRectifier,
    ZenerDiode,
    Switch,
    Selector,
    Fuse,
    Jack,
    MainsPlug,
    Loudspeaker,
    ReverbTank,
    Lamp,
    Connector,
    Wire,
)

__all__ = [
    "GROUND",
    "KINDS",
    "Capacitor",
    "Choke",
    "Connector",
    "Diode",
    "Fuse",
    "GasTube",
    "Jack",
    "LPad",
    "Lamp",
    "Loudspeaker",
    "MainsPlug",
    "OutputTransformer",
    "Part",
    "Potentiometer",
    "PowerTransformer",
    "RectifierTube",
    "Resistor",
    "ReverbTank",
    "Section",
    "Selector",
    "SeleniumRectifier",
    "Switch",
    "Thermistor",
    "Transformer",
    "Tube",
    "TwoTerminal",
    "Winding",
    "Wire",
    "ZenerDiode",
    "input_jacks",
]

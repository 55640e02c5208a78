"""An amp's circuit made ready for the bench: one structure in which every part can vary or fail.

Each capacitor gets its leak as a resistor beside it, each tube section its grid (gas) current; an open
part is then a large value, a short a small one, and any number of amps are one batch of values.
"""

from __future__ import annotations

import dataclasses

from tubekit.amp import Amp
from tubekit.amp.build import Built, build
from tubekit.amp.mains_solve import settled_circuit
from tubekit.amp.settings import with_leaks


def with_fault_ports(amp: Amp, powered: bool = True) -> Built:
    """The circuit of an amp with leaks and gas currents drawn in; not `powered`, nothing in it sets itself.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> names = {part.name for part in with_fault_ports(load_amp("teasel")).circuit.parts}
    >>> {"C2.leak", "V3.gas"} <= names
    True
    """
    built = settled_circuit(amp) if powered else build(amp)
    return dataclasses.replace(built, circuit=with_leaks(built.circuit, built.amp.parts))

"""Places a meter can be put, with the words a hand searches them by."""

from __future__ import annotations

from collections.abc import Iterator

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.places import electrode, electrodes
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES

APART = " · "
CURRENT = QUANTITIES["dc_a"].words


def place_options(amp: Amp) -> list[str]:
    """What the list of places offers: rails and nodes, electrodes, test points, parts."""
    return list(dict.fromkeys(_offered(amp)))


def _offered(amp: Amp) -> Iterator[str]:
    touched = electrodes(amp)
    for words, node in touched.items():
        yield f"{words}{APART}{node}"
    for name, point in amp.test_points.items():
        yield f"{name}{APART}{' to '.join(point.nodes)}"
    for node in amp.nodes:
        if node != GROUND and node not in touched.values():
            yield node
    for name, part in amp.parts.items():
        if isinstance(part, drawn.TwoTerminal):
            yield f"{name}{APART}{part.role or part.kind}"
        elif isinstance(part, drawn.Tube):
            yield f"{name}{APART}{part.role or part.type}"


def settled(amp: Amp, text: str, quantity: str) -> str:
    """A place as a list of readings takes it: the words after it fall away, an electrode becomes its node.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> amp = load_amp("teasel")
    >>> settled(amp, "V1a plate · p1a", "DC volts"), settled(amp, "V3 cathode · k34", "current")
    ('p1a', 'V3 cathode')
    """
    place = " ".join(text.partition(APART)[0].split())
    if quantity == CURRENT:
        return place
    return electrodes(amp).get(electrode(place), place)

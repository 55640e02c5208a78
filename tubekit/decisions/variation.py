"""By how much the parts of an amp may differ from the drawing and still be good.

Each `Variable` is one independent quantity; all of them together are the spread of an amp. What a part may
vary in is stated by its kind (`Part.varies`).
"""

from __future__ import annotations

from collections.abc import Mapping

from tubekit.amp import Amp
from tubekit.amp.parts import MainsPlug
from tubekit.amp.parts.connectors import MAINS
from tubekit.amp.parts.variables import Age, Variable


def variables(
    amp: Amp,
    age: Age = "vintage",
    *,
    measured: Mapping[str, float] | None = None,
    mains_known: float | None = None,
) -> tuple[Variable, ...]:
    """Everything that differs between good amps of this drawing.

    Parameters
    ----------
    age : 'vintage' lets composition resistors drift up, electrolytics dry out and paper leak.
    measured : relative accuracy of parts whose value was measured, by designator; theirs is then all the
        spread they have.
    mains_known : relative accuracy of the line where it was measured; else it varies by a usual band.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> names = [v.name for v in variables(load_amp("teasel"))]
    >>> {"R14", "V3 emission", "V1 emission", "V1a mu", "mains"} <= set(names)
    True
    """
    known = measured or {}
    result: list[Variable] = []
    for name, part in amp.parts.items():
        if part.condition == "fitted":
            accuracy = mains_known if isinstance(part, MainsPlug) else known.get(name)
            result += part.varies(age, accuracy)
    return tuple(sorted(result, key=lambda one: one.name != MAINS))

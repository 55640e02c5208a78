"""From the parts of an amp to the circuit that is solved.

Everything from the mains plug to the loudspeaker is in it. Where the drawing is silent a usual value
is taken, and said in `Built.assumptions`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from tubekit.amp.amp import Amp
from tubekit.amp.fields import Value
from tubekit.amp.parts.part import Hookup
from tubekit.amp.settings import apply_settings, with_leaks
from tubekit.circuit import parts as wired
from tubekit.circuit.parts import Circuit


@dataclass(frozen=True, eq=False)
class Built:
    """The circuit of an amp; `rectifiers` lists the circuit's diodes by designator."""

    amp: Amp
    circuit: Circuit
    assumptions: tuple[str, ...]
    rectifiers: dict[str, tuple[str, ...]]
    settled: Mapping[str, Value]

    def saying(self, more: tuple[str, ...]) -> Built:
        """The same with more that was taken for granted."""
        return replace(self, assumptions=(*self.assumptions, *more))


def build(amp: Amp, settled: Mapping[str, Value] | None = None) -> Built:
    """The circuit of an amp, at its line voltage and control settings.

    `settled` gives the ohms of thermistors and the henries of swinging chokes (by designator) where
    their own current has set them; else thermistors are cold and chokes at their rated value.

    Raises
    ------
    AmpFileError : a batch mixes tube and silicon rectifiers in one socket (solve them apart).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> "V1a" in {part.name for part in build(load_amp("teasel")).circuit.parts}
    True
    """
    hookup = Hookup(amp.mains_rms, amp.design_mains_rms, amp.mains_hz, settled or {})
    pieces: list[wired.Part] = []
    for part in amp.parts.values():
        if part.condition == "short":
            pieces.append(wired.Wire(part.designator, *part.nodes[:2]))
        elif part.condition != "open":
            pieces += part.wired(hookup)
    rectifiers = {
        name: tuple(p.name for p in pieces if isinstance(p, wired.Rectifier) and p.name.split(".")[0] == name)
        for name, part in amp.parts.items()
        if any(part.rectifies(as_wired=True))
    }
    circuit = Circuit(tuple(pieces), amp.title, amp.batch)
    if amp.trim:
        wanted = {parameter.part for parameter in amp.trim}
        circuit = apply_settings(with_leaks(circuit, amp.parts, wanted), amp.trim)
    return Built(amp, circuit, tuple(hookup.notes), rectifiers, hookup.settled)

"""The hum-balance control: where its null lies, and how deep it is.

Hum from the heaters is the difference of two nearly equal halves, so it goes nearly in a straight line
through the null as the control turns. What the control cannot take out (phase, ripple from elsewhere)
is left at the null and sets its depth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.hum import Hum, hum
from tubekit.amp.parts import Potentiometer
from tubekit.amp.strays import tubes
from tubekit.errors import ChangeError, near_matches
from tubekit.text import Column, Printed, Table, quantity, to_json_value

Array = np.ndarray

POSITIONS = np.linspace(0.0, 1.0, 11)


@dataclass(frozen=True, eq=False, repr=False)
class HumBalance(Printed):
    """Hum against the position of a hum-balance control."""

    amp: Amp
    control: str
    positions: Array = quantity("", "x", "of the control, 0 to 1, (K,)")
    heater_v: Array = quantity("V rms", "v", "hum from the heaters at the loudspeaker, (K,)")
    total_v: Array = quantity("V rms", "v", "the whole hum at the loudspeaker, (K,)")
    null: float = quantity("", "x_0", "position of the least heater hum")
    null_v: float = quantity("V rms", "v_0", "heater hum there")
    hum: Hum = field(repr=False, kw_only=True)

    @property
    def depth_db(self) -> float:
        """How far the heater hum falls from the worse end of the control to its null [dB]."""
        return float(20 * np.log10(max(self.heater_v[0], self.heater_v[-1]) / max(self.null_v, 1e-30)))

    def headline(self) -> str:
        """Where the null is and how deep."""
        return (
            f"{self.amp.title}, hum balance {self.control}: null at {100 * self.null:.1f} % of its travel, "
            f"{'more than 100' if self.depth_db > 100 else f'{self.depth_db:.0f}'} dB below the worse end"
        )

    def tables(self) -> list[Table]:
        """Hum at some positions."""
        some = np.unique(np.linspace(0, len(self.positions) - 1, 11).astype(int))
        rows = [(100 * float(self.positions[k]), self.heater_v[k], self.total_v[k]) for k in some]
        heads = (
            Column("position", "%", format=".0f"),
            Column("from the heaters", "V"),
            Column("whole hum", "V"),
        )
        note = (
            "Common practice, no source: with matched tubes the null lies near the middle; a null near the "
            "end of the travel points to one tube that leaks, or to a heater lead close to a grid."
        )
        return [Table("Hum at the loudspeaker", heads, rows, note=note)]

    def to_json(self) -> dict[str, Any]:
        """The turn of the control in terms JSON has."""
        keys = ("control", "positions", "heater_v", "total_v", "null", "null_v", "depth_db")
        return {"amp": self.amp.title, **{key: to_json_value(getattr(self, key)) for key in keys}}


def hum_balance(
    amp: Amp,
    control: str | None = None,
    *,
    jack: str | None = None,
    unbalance: Mapping[str, float] | float = 0.0,
    positions: Array | Sequence[float] | None = None,
) -> HumBalance:
    """Turn the hum-balance control of an amp from end to end.

    Parameters
    ----------
    control : designator of the potentiometer; the one across the heaters when not given.
    unbalance : how much more one heater end couples into each tube than the other, as a share; nil is a
        matched set, {"V1": 0.2} one tube off.
    positions : of the control, 0 to 1, rising.

    Raises
    ------
    ChangeError : no such control, or none across the heaters; a batch of amps.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> turned = hum_balance(load_amp("fescue"))  # matched tubes: the null lies in the middle
    >>> turned.control, f"{turned.null:.2f}"
    ('R54', '0.50')
    """
    if amp.batch is not None:
        raise ChangeError("a batch has no single null", where=amp.name, fix="Take one with member(0)")
    name = control or _across_heaters(amp)
    part = amp.parts.get(name)
    if not isinstance(part, Potentiometer):
        pots = [p.designator for p in amp.parts.values() if isinstance(p, Potentiometer)]
        raise ChangeError(
            f"'{name}' is no potentiometer", where=amp.name, fix=f"Name one of {', '.join(pots)}",
            near=near_matches(name, pots),
        )  # fmt: skip
    wanted = POSITIONS if positions is None else np.asarray(positions, float)
    found = hum(amp.changed({f"{name}.position": wanted}), jack=jack, unbalance=unbalance)
    heaters = found.of_kind("heater")
    null, least = _null(wanted, heaters)
    sizes = np.sqrt((np.abs(heaters) ** 2).sum(axis=1))
    return HumBalance(amp, name, wanted, sizes, found.total_rms, null, least, hum=found)


def _null(positions: Array, phasors: Array) -> tuple[float, float]:
    """Position and size of the least hum: between samples the phasors go in a straight line."""
    best = (np.inf, float(positions[0]))
    for k in range(len(positions) - 1):
        first, change = phasors[k], phasors[k + 1] - phasors[k]
        size = float((np.abs(change) ** 2).sum())
        at = 0.0 if size == 0 else float(np.clip(-(first * change.conj()).real.sum() / size, 0.0, 1.0))
        left = float(np.sqrt((np.abs(first + at * change) ** 2).sum()))
        if left < best[0]:
            best = (left, float(positions[k] + at * (positions[k + 1] - positions[k])))
    return best[1], best[0]


def _across_heaters(amp: Amp) -> str:
    heaters = {node for tube in tubes(amp) for node in tube.heater}
    for part in amp.parts.values():
        if isinstance(part, Potentiometer) and {part.top, part.bottom} <= heaters:
            return part.designator
    raise ChangeError(
        "no potentiometer lies across the heaters", where=amp.name,
        fix="Draw one: kind = 'potentiometer', top and bottom on the heater's nodes, wiper to ground",
    )  # fmt: skip

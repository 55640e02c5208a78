"""The hum-balance control: where its null is, how deep it is, and what takes its effect away.

Hum from the heaters is the difference of two nearly equal halves, so the whole hum goes nearly in a
straight line, as a complex figure per harmonic, while the control turns. What the control cannot take out
(phase, ripple from elsewhere) is left at the null and sets its depth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import HEATER_UNBALANCE, tubes
from tubekit.amp.hum import Hum, hum
from tubekit.amp.parts import Capacitor, Part, Potentiometer, Resistor
from tubekit.errors import ChangeError, near_matches
from tubekit.result_fields import Array, evenly
from tubekit.text import Column, Printed, Table, headed, quantity

POSITIONS = np.linspace(0.0, 1.0, 11)
NEAR = 0.02
"""The null is solved anew this far to both sides of where the straight lines put it."""
LEAST_DB = 1.0
"""A control that moves the hum by less than this does nothing [dB]; common practice, no source."""
BYPASS = 0.1
"""A part of less than this share of the control's ohms bypasses it."""


@dataclass(frozen=True, eq=False, repr=False)
class HumBalance(Printed):
    """Hum against the position of a hum-balance control."""

    amp: Amp
    control: str
    positions: Array = quantity("", "x", "positions of the control, 0 to 1")
    heater_v: Array = quantity("V RMS", "v", "heater hum at the speaker at each position")
    total_v: Array = quantity("V RMS", "v", "total hum at the speaker at each position")
    null: float = quantity("", "x_0", "position with the lowest hum")
    null_v: float = quantity("V RMS", "v_0", "total hum there")
    position: float = quantity("", "x_1", "present position of the control")
    now_v: float = quantity("V RMS", "v_1", "total hum there")
    bypassed: str = ""
    hum: Hum = field(repr=False, kw_only=True)

    json_keys = (
        "amp=amp.title", "control", "positions", "heater_v", "total_v", "null", "null_v", "position",
        "now_v", "depth_db", "bypassed",
    )  # fmt: skip

    @property
    def depth_db(self) -> float:
        """Drop of the hum from the worse end of the control to its null [dB]."""
        return float(20 * np.log10(max(self.total_v[0], self.total_v[-1]) / max(self.null_v, 1e-30)))

    @property
    def works(self) -> bool:
        """Whether turning the control moves the hum."""
        return self.depth_db > LEAST_DB

    def headline(self) -> str:
        """Position and depth of the null, or why there is none."""
        return f"{self.amp.title}, hum balance {self.control}: {self.finding}"

    @property
    def finding(self) -> str:
        """The null, or what takes its effect away."""
        if not self.works:
            why = f": {self.bypassed}" if self.bypassed else ""
            return f"there is no null: turning it changes the hum by {self.depth_db:.1f} dB{why}"
        size = Column("", "V").write(self.null_v)
        words = f"null at {100 * self.null:.0f} % of its travel, with {size} of hum left"
        return f"{words}; {self.bypassed}" if self.bypassed else words

    def tables(self) -> list[Table]:
        """Hum at some positions."""
        some = evenly(len(self.positions), 11)
        rows = [(100 * float(self.positions[k]), self.heater_v[k], self.total_v[k]) for k in some]
        heads = headed("position [%] .0f", "from the heaters [V] tiny", "total hum [V] tiny")
        note = (
            "Shop rule of thumb: with matched tubes the null is near the middle. A null near one end "
            "points to "
            "a tube with heater-cathode leakage, or to a heater lead close to a grid."
        )
        rows.append((100 * self.position, None, self.now_v))
        notes = ("The last line is the present setting.", self.hum.view.input_words, note)
        return [Table("Hum at the speaker", heads, rows, note="\n".join(notes))]


def hum_balance(
    amp: Amp,
    control: str | None = None,
    *,
    jack: str | None = None,
    unbalance: Mapping[str, float] | float = HEATER_UNBALANCE,
    positions: Array | Sequence[float] | None = None,
) -> HumBalance:
    """Turn the hum-balance control of an amp from end to end; the hum is that of `hum` at each position.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    control
        Designator of the potentiometer; the one across the heaters when not given.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    unbalance
        How much more one heater end couples into each tube than the other, as a share; zero is a matched set,
        {"V1": 0.2} one tube off.
    positions
        Of the control, 0 to 1, rising.

    Returns
    -------
    HumBalance
        Hum over the positions of the control, and its null.

    Raises
    ------
    ChangeError
        No such control, or none across the heaters; a batch of amps.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> turned = hum_balance(load_amp("fescue"), unbalance=0.0)  # matched tubes: the null is in the middle
    >>> turned.control, f"{turned.null:.2f}"
    ('R54', '0.50')
    """
    amp.refuse_batch("each amp has its own null")
    name = control or balance_control(amp)
    if name is None:
        raise ChangeError(
            "this amp has no hum-balance pot across the heaters", where=amp.name,
            fix="If yours does, add it to the amp file: kind = 'potentiometer', top and bottom on the "
                "heater, wiper to ground",
        )  # fmt: skip
    part = amp.parts.get(name)
    if not isinstance(part, Potentiometer):
        pots = [p.designator for p in amp.parts.values() if isinstance(p, Potentiometer)]
        raise ChangeError(
            f"'{name}' is not a potentiometer", where=amp.name, fix=f"Choose one of: {', '.join(pots)}",
            near=near_matches(name, pots),
        )  # fmt: skip
    wanted = POSITIONS if positions is None else np.asarray(positions, float)
    key = f"{name}.position"
    now = hum(amp, jack=jack, unbalance=unbalance)
    result = hum(amp.changed({key: wanted}), jack=jack, unbalance=unbalance)
    about, _ = _null(wanted, result.total)
    near = np.clip(about + NEAR * np.array([-1.0, 0.0, 1.0]), 0.0, 1.0)
    closer = hum(amp.changed({key: near}), jack=jack, unbalance=unbalance)
    null, least = _null(near, closer.total)
    heaters = np.sqrt((np.abs(result.of_kind("heater")) ** 2).sum(axis=1))
    return HumBalance(
        amp, name, wanted, heaters, result.total_rms, null, least, float(np.mean(part.position)),
        float(now.total_rms[0]), _bypassed(amp, part), hum=result,
    )  # fmt: skip


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


def balance_control(amp: Amp) -> str | None:
    """Designator of the potentiometer across the heaters; None where there is none.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> balance_control(load_amp("fescue")), balance_control(load_amp("teasel"))
    ('R54', None)
    """
    heaters = {node for tube in tubes(amp) for node in tube.heater_leads}
    for part in amp.parts.values():
        if isinstance(part, Potentiometer) and {part.top, part.bottom} <= heaters:
            return part.designator
    return None


def _bypassed(amp: Amp, control: Potentiometer) -> str:
    """What joins the wiper to an end by less than the control's own track; '' where nothing does."""
    import networkx as nx  # noqa: PLC0415 - a tenth of a second that only this needs

    graph = nx.Graph()
    for part in amp.parts.values():
        if part is not control and part.condition != "open" and (name := _passes(amp, part, control)):
            graph.add_edges_from((a, b, {"part": name}) for a, b in part.couples())
    for word, end in (("top", control.top), ("bottom", control.bottom)):
        if {end, control.wiper} <= graph.nodes and nx.has_path(graph, control.wiper, end):
            way = nx.shortest_path(graph, control.wiper, end)
            names = dict.fromkeys(graph.edges[pair]["part"] for pair in pairwise(way))
            return f"{', '.join(names)} bypasses {control.designator} from its wiper to its {word}"
    return ""


def _passes(amp: Amp, part: Part, control: Potentiometer) -> str:
    """The designator of a part that passes the line frequency better than a tenth of the control."""
    if part.metal or part.condition == "short":
        return part.designator
    rate = 2 * np.pi * amp.mains_hz
    if isinstance(part, Resistor):
        ohms = np.max(part.ohms)
    elif isinstance(part, Capacitor):
        ohms = 1.0 / (rate * np.min(part.farads))
    else:
        return ""
    return part.designator if ohms < BYPASS * np.max(control.ohms) else ""

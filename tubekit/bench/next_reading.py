"""Which reading would tell most, for the effort it takes.

The information a reading would give is the mutual information between it and the question 'which fault?':
the entropy of the mixture of what all candidates predict, less what each leaves open by itself. Predictions
are conditioned on the readings already taken, so that a reading that only repeats them is worth nothing.
Source: expected information of an experiment, D. V. Lindley, Ann. Math. Statist. 27 (1956) (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.bench.fault_table import FaultTable
from tubekit.bench.likelihood import Posterior, residuals
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe, Tone
from tubekit.result_fields import Array
from tubekit.text import quantity

LIKELY = 2e-3
"""Rows less likely than this do not steer the choice."""
NAMED = 0.02
"""A candidate less likely than this is not listed."""
ROUGH, FINE, CLOSER = 3, 9, 12
"""Points of a candidate's curve at which every reading is weighed, and then the best few, so many."""
APART = 2.0
"""A reading tells two candidates apart where they lie this many deviations from each other."""
LEAST_BITS = 0.02
"""A reading that decides less of the question than this is not worth taking [bit]."""
METER = 0.015
"""Accuracy assumed of the meter that would be used (common practice, no source)."""


@dataclass(frozen=True)
class NextReading:
    """A reading worth taking: how much of the question it decides, and what the likeliest fault and those it
    tells from it would show there, each as `predict_readings` solves it for the meter's load.

    Readings taken so far steer the choice; they do not move these figures, since a straight line through a
    fault's spread would.
    """

    probe: Probe
    share: float = quantity("", "", "how much this reading helps to find the fault, 0 to 1")
    effort: float = quantity("", "", "effort; a DC voltage counts as 1")
    predicted: tuple[tuple[str, float], ...] = ()

    def sentence(self) -> str:
        """Say what to measure, and what each candidate would show."""
        text = "; ".join(f"{words}: {self.probe.format(value)}" for words, value in self.predicted)
        return f"{self.probe} ({text})"


def next_readings(
    book: FaultTable, taken: Sequence[int], scaled: Array, sd: Array, weighed: Posterior, count: int = 3
) -> tuple[tuple[NextReading, ...], tuple[int, ...]]:
    """The readings that tell the likeliest candidate from another listed one, those with the most expected
    information per effort first; then the rows of the likeliest and of those that no reading tells from it,
    none where every one is told.
    """
    rows = np.flatnonzero(weighed.rows > LIKELY)
    others = [m for m in range(len(book.probes)) if m not in set(taken)]
    if len(rows) < 2 or not others:
        return (), ()
    mean, variance = _conditional(book, rows, taken, others, scaled, sd)
    weight = weighed.rows[rows] / weighed.rows[rows].sum()
    listed = _candidates(book.owner[rows], weight)
    apart = _told_apart(book, rows[listed], others, mean[listed], np.sqrt(variance[listed]))
    untold = [j for j, one in zip(listed[1:], apart, strict=True) if not one.any()]
    telling = np.flatnonzero(apart.any(axis=0))
    effort = np.array([QUANTITIES[book.probes[m].quantity].effort for m in others])[telling]
    bits = _information(mean[:, telling], variance[:, telling], weight, book.owner[rows], ROUGH)
    best = np.argsort(-bits / effort)[:CLOSER]
    at = telling[best]
    bits[best] = _information(mean[:, at], variance[:, at], weight, book.owner[rows], FINE)
    order = [int(k) for k in np.argsort(-bits / effort, kind="stable") if bits[k] > LEAST_BITS]
    chosen = _covering(order, apart[:, telling], count)
    faults = np.bincount(book.owner[rows] + 1, weights=weight)
    asked = float(-(faults[faults > 0] * np.log2(faults[faults > 0])).sum())
    readings = tuple(
        NextReading(
            book.probes[others[telling[k]]], min(float(bits[k]) / asked, 1.0), float(effort[k]),
            tuple((_words(book, rows[j]), float(book.seen[rows[j], others[telling[k]]]))
                  for j in _shown(listed, apart[:, telling[k]])),
        )
        for k in chosen
    )  # fmt: skip
    return readings, tuple(int(rows[j]) for j in ([listed[0], *untold] if untold else ()))


def _candidates(owner: Array, weight: Array) -> list[int]:
    """The likeliest row of each candidate that is listed, and of two at least, the likeliest first."""
    chance = {int(f): float(weight[owner == f].sum()) for f in np.unique(owner)}
    ranked = sorted(chance, key=lambda fault: -np.float32(chance[fault]))  # equals as in the drawing
    kept = [fault for k, fault in enumerate(ranked) if k < 2 or chance[fault] >= NAMED]
    return [int(np.where(owner == fault, weight, -1.0).argmax()) for fault in kept]


def _told_apart(book: FaultTable, rows: Array, others: Sequence[int], mean: Array, sd: Array) -> Array:
    """Whether each other reading tells each candidate but the first from the first, (candidates - 1, others):
    what is expected lies `APART` deviations away, and what the meter shows is not the same.
    """
    meter, shown = _meter(book, rows, others), book.scaled[rows][:, list(others)]
    far = np.abs(mean[1:] - mean[0]) > APART * np.maximum(sd[1:], sd[0])
    return np.asarray(far & (np.abs(shown[1:] - shown[0]) > APART * np.maximum(meter[1:], meter[0])))


def _covering(order: Sequence[int], apart: Array, count: int) -> list[int]:
    """The best readings; the last of them is one that tells a candidate which the others do not, if any."""
    chosen = list(order[: count - 1])
    left = ~apart[:, chosen].any(axis=1)
    rest = order[count - 1 :]
    return chosen + [*(k for k in rest if apart[left, k].any()), *rest][:1]


def _shown(listed: Sequence[int], apart: Array) -> list[int]:
    """The two likeliest candidates, and the likeliest other, one that this reading tells from the first."""
    rest = sorted(zip(~apart[1:], listed[2:], strict=True), key=lambda one: bool(one[0]))
    return [*listed[:2], *(j for _, j in rest[:1])]


def _words(book: FaultTable, row: int) -> str:
    return "nothing wrong" if book.owner[row] < 0 else book.faults[book.owner[row]].words


def _conditional(
    book: FaultTable, rows: Array, taken: Sequence[int], others: Sequence[int], scaled: Array, sd: Array
) -> tuple[Array, Array]:
    """Mean and variance (rows, others) of each other reading, given those taken."""
    off, covariance = residuals(book, taken, scaled, sd)
    off, covariance = off[rows], covariance[rows]
    moved = book.effects(rows, others)
    cross = np.matmul(moved, book.effects(rows, taken).transpose(0, 2, 1))
    gain = np.linalg.solve(covariance, np.swapaxes(cross, 1, 2))
    mean = book.scaled[rows][:, list(others)] + np.einsum("rto,rt->ro", gain, off)
    own = np.square(moved).sum(axis=2) + book.misfit(rows, others)
    variance = np.maximum(own - np.einsum("rot,rto->ro", cross, gain), 1e-12)
    return mean, variance + np.square(_meter(book, rows, others))


def _meter(book: FaultTable, rows: Array, others: Sequence[int]) -> Array:
    kinds = [QUANTITIES[book.probes[m].quantity] for m in others]
    seen = np.abs(book.seen[rows][:, list(others)])
    least = np.array([k.least for k in kinds])
    ratio = np.array([k.ratio for k in kinds])
    return np.asarray(np.where(ratio, METER + 0.5 * least / (seen + least), METER * seen + least))


def _information(mean: Array, variance: Array, weight: Array, owner: Array, points: int) -> Array:
    """Mutual information of each reading (columns) with the fault [bit], by Gauss-Hermite quadrature.

    Rows are in the order of their faults.
    """
    at, share = np.polynomial.hermite_e.hermegauss(points)
    faults, first, which = np.unique(owner, return_index=True, return_inverse=True)
    prior = np.add.reduceat(weight, first)[which, None]
    result = np.zeros(mean.shape[1])
    for column, (m, sd) in enumerate(zip(mean.T, np.sqrt(variance).T, strict=True)):
        x = m[:, None] + sd[:, None] * at
        z = (x.ravel() - m[:, None]) / sd[:, None]
        curves = (weight / sd)[:, None] * np.exp(-0.5 * z * z)
        each = np.add.reduceat(curves, first, axis=0).reshape(len(faults), *x.shape)
        own = each[which, np.arange(len(m))]
        gained = np.log2(own / (prior * each.sum(axis=0)))
        result[column] = max(float(weight @ gained @ share) / share.sum(), 0.0)
    return result


def candidate_probes(amp: Amp, tone: Tone | None = None) -> tuple[Probe, ...]:
    """DC at every node that a tube or a rail touches and across the output transformer, rail ripple, cathode
    currents of output tubes (a bias meter reads them), resistances of parts with the power off, and (with a
    tone) the signal along the way.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> probes = candidate_probes(load_amp("teasel"))
    >>> Probe("dc_v", ("p1a", "ground")) in probes, Probe("ripple_pp_v", ("B1", "ground")) in probes
    (True, True)
    """
    return tuple(dict.fromkeys([*_direct(amp), *_ripple(amp), *_ohms(amp), *(_signal(amp) if tone else ())]))


def _rails(amp: Amp) -> list[str]:
    return list(dict.fromkeys(rail.node for rail in amp.topology.rails))


def _direct(amp: Amp) -> Iterator[Probe]:
    outputs = {node for probe in output_drops(amp) for node in probe.place}
    for node in _rails(amp):
        yield Probe("dc_v", (node, GROUND))
    for section in amp.topology.sections:
        for own in (section.plate, section.screen, section.grid, section.cathode):
            if own not in (None, GROUND):
                yield Probe("dc_v", (str(own), GROUND))
        if section.cathode == GROUND and section.plate in outputs:
            yield Probe("dc_a", (section.name, "cathode"))
    yield from output_drops(amp)


def output_drops(amp: Amp) -> Iterator[Probe]:
    """The drop across each half of an output transformer: it tells a pair's currents apart."""
    for part in amp.parts.values():
        if isinstance(part, drawn.OutputTransformer):
            plates = {section.plate for section in amp.topology.sections}
            for a, b in part.primary.sections:
                yield Probe("dc_v", (b, a) if a in plates else (a, b))


def _ripple(amp: Amp) -> Iterator[Probe]:
    for node in _rails(amp):
        yield Probe("ripple_pp_v", (node, GROUND))
    for tube in amp.parts.values():
        if isinstance(tube, Tube) and not isinstance(tube, RectifierTube) and len(tube.heater) > 1:
            yield Probe("ac_rms_v", (tube.heater[0], GROUND))
            yield Probe("ac_rms_v", (tube.heater[0], tube.heater[-1]))


def _ohms(amp: Amp) -> Iterator[Probe]:
    off = amp.line_side.nodes
    for part in amp.parts.values():
        if part.condition == "fitted" and not set(part.nodes) & off:
            for one, two in part.ohmmeter():
                yield Probe("ohms", (one, two) if one != GROUND else (two, one))


def _signal(amp: Amp) -> Iterator[Probe]:
    for section in amp.topology.sections:
        for own in (section.grid, section.plate, section.cathode):
            if own != GROUND:
                yield Probe("signal_rms_v", (own, GROUND))
    for part in amp.parts.values():
        if isinstance(part, drawn.Loudspeaker):
            yield Probe("signal_rms_v", (part.a, part.b))


def tube_readings(amp: Amp, count: int = 15) -> tuple[Probe, ...]:
    """The usual list: rails first, then plates, cathodes and screens, as many as asked for."""
    nodes = _rails(amp)
    for field in ("plate", "cathode", "screen"):
        nodes += [getattr(section, field) for section in amp.topology.sections]
    return tuple(Probe("dc_v", (n, GROUND)) for n in dict.fromkeys(nodes) if n not in (None, GROUND))[:count]

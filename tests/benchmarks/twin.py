"""How well an amp is known by its readings, on amps made up of numbers.

python -m tests.benchmarks.twin [amp ...] [--count 300] [--seed 1]

Amps are drawn in six ways, since a study by our own spread alone proves little: the spread that the fit
believes in ('own'), evenly within the same deviation ('even'), twice as wide ('wide'), with half of the
variance shared by all parts of a kind ('alike'), with one tube worn to 60 % ('worn'), and with a coupling
capacitor in front of an output tube that leaks ('leaky': not a current into the grid, as the fit has it, and
so left out of what its intervals should hold, with that current). Readings are up
to 15 voltages, both drops across the output transformer and one ripple, the line known to 0.5 %; each is
off by the meter (1 %, evenly) and by what tube laws and drawing may be off (normal). One list in ten has
one reading that is off by a factor between 0.1 and 10. Of each way are told: the share of 90 % intervals
that hold the truth, of the estimates that readings narrow and of all; how many of the wrong readings are
named, and how many good ones; and by what factor a swap on the fitted amp comes nearer to the truth than
the drawn amp's, root mean square, for the value after the swap and for what the swap changes.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from tests.amps import amp as known_amp
from tests.benchmarks.clock import say
from tubekit.amp import Amp
from tubekit.amp.parts.faults import NO_LEAK
from tubekit.amp.parts.switches import MAINS
from tubekit.bench.amp_fit import fit
from tubekit.bench.fault_table import FaultSolver, law_error, scale
from tubekit.bench.grid_currents import coupled, rare_spread
from tubekit.bench.likelihood import meter_sd
from tubekit.bench.next_reading import output_drops, tube_readings
from tubekit.bench.twin import EMISSION, MOVED, NINETY
from tubekit.decisions.population import dc_population, variables
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.decisions.reading import Reading

Array = np.ndarray

WAYS = ("own", "even", "wide", "alike", "worn", "leaky")
LEAKS = (2e6, 30e6)
"""A coupling capacitor that leaks, the logarithm of its ohms evenly between these."""
SWAPS: dict[str, tuple[dict[str, str], ...]] = {
    "teasel": ({"R14": "330"}, {"V5": "5AR4"}, {"C14": "47u"}),
}
WORN = 0.6
BAD_ONE_IN, BAD_TIMES = 10, (0.1, 0.5, 0.8, 0.9, 1.1, 1.2, 1.4, 2.0, 10.0)
ACCURACY = 0.01


@dataclass(frozen=True)
class Figures:
    """What one way of drawing amps came to."""

    narrowed: float
    every: float
    wrong: int
    named: int
    falsely: int
    after: Mapping[str, float]
    effect: Mapping[str, float]
    fed: float


@cache
def solver_of(amp: Amp, probes: tuple[Probe, ...]) -> FaultSolver:
    """What good amps of this drawing show."""
    varied = variables(amp, "vintage", mains_known=0.005)
    return FaultSolver(dc_population(amp), probes, None, varied, np.full(len(probes), 10e6), None)


def probes_of(amp: Amp) -> tuple[Probe, ...]:
    """The usual list, the drops across the output transformer, the ripple of the first rail."""
    usual = tube_readings(amp)
    return tuple(dict.fromkeys((*usual, *output_drops(amp), Probe("ripple_pp_v", usual[0].place))))


def drawn_amps(solver: FaultSolver, way: str, count: int, rng: np.random.Generator) -> Array:
    """Variables of amps, in standard deviations (N, V)."""
    own = np.stack([v.draw(rng, count) for v in solver.varied], axis=1)
    own = (own - solver.means) / solver.deviation
    names = [v.name for v in solver.varied]
    z = own.copy()
    if way == "even":
        z = np.sqrt(3.0) * (2.0 * rng.random(own.shape) - 1.0)
    elif way == "wide":
        z = 2.0 * own
    elif way == "alike":
        kinds = np.array([name.split(" ")[-1] if " " in name else name[0] for name in names])
        shared = {kind: rng.standard_normal((count, 1)) for kind in sorted(set(kinds))}
        z = np.sqrt(0.5) * (own + np.concatenate([shared[kind] for kind in kinds], axis=1))
    elif way == "worn":
        cathodes = [k for k, name in enumerate(names) if name.endswith(EMISSION)]
        for n, k in enumerate(rng.choice(cathodes, count)):
            z[n, k] = np.log(WORN) / solver.deviation[k]
    elif way == "leaky":
        leaks = [names.index(f"{name} leak") for name in output_couplings(solver.ready.amp)]
        for n, k in enumerate(rng.choice(leaks, count)):
            ohms = np.exp(rng.uniform(*np.log(LEAKS)))
            z[n, k] = (np.log(ohms / NO_LEAK) - solver.means[k]) / solver.deviation[k]
    least = np.array([(v.center - v.mean) if v.shape == "half" else -np.inf for v in solver.varied])
    z = np.maximum(z, least / solver.deviation)  # what only drifts upward does so in every way
    z[:, names.index(MAINS)] = own[:, names.index(MAINS)]
    return z


def output_couplings(amp: Amp) -> list[str]:
    """The capacitors that couple to the grids of output tubes."""
    grids = [s.grid for s in amp.topology.sections if s.screen is not None]
    return [name for grid in grids for name in coupled(amp, grid)]


def taken(solver: FaultSolver, z: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """What a meter shows on these amps (N, M), and which reading is wrong (N,), -1 for none."""
    kinds = [QUANTITIES[p.quantity] for p in solver.probes]
    least, ratio = (np.array([getattr(kind, key) for kind in kinds]) for key in ("least", "ratio"))
    compared, _ = solver.readings_at(solver.means + solver.deviation * z)
    seen = np.where(ratio, np.exp(compared) - least, compared)
    laws = np.stack([law_error(p, seen[:, m]) for m, p in enumerate(solver.probes)], axis=1)
    laws = np.where(ratio, laws * np.abs(seen), laws)
    shown = seen + laws * rng.standard_normal(seen.shape)
    shown += (ACCURACY * np.abs(shown) + np.where(ratio, 0.5, 1.0) * least) * (2 * rng.random(seen.shape) - 1)
    wrong = np.where(rng.random(len(z)) < 1.0 / BAD_ONE_IN, rng.integers(shown.shape[1], size=len(z)), -1)
    for n in np.flatnonzero(wrong >= 0):
        shown[n, wrong[n]] *= rng.choice(BAD_TIMES)
    return shown, wrong


def study(
    name: str, way: str, count: int, seed: int, swaps: tuple[dict[str, str], ...] | None = None
) -> Figures:
    """One way of drawing amps."""
    rng, amp = np.random.default_rng(seed), known_amp(name)
    solver = solver_of(amp, probes_of(amp))
    z = drawn_amps(solver, way, count, rng)
    shown, wrong = taken(solver, z, rng)
    lists = [[Reading(p, v) for p, v in zip(solver.probes, row, strict=True)] for row in shown]
    laws = np.stack([law_error(p, shown[:, m]) for m, p in enumerate(solver.probes)], axis=1)
    variance = np.square(laws) + np.square([meter_sd(each) for each in lists])
    result = fit(solver, scale(shown, solver.probes), variance, rare=rare_spread(solver))
    inside, narrowed = [], []
    groups: dict[object, list[int]] = {}
    for j, v in enumerate(solver.varied):
        groups.setdefault(tuple((t.parameter, t.gain) for t in v.turns), []).append(j)
    for own in groups.values():
        if way == "leaky" and solver.varied[own[0]].name.endswith((" leak", " gas")):
            continue
        step = solver.deviation[own]
        off = (result.mean - z)[:, own] @ step
        sd = np.sqrt(np.einsum("i,nij,j->n", step, result.covariance[:, own][:, :, own], step))
        inside.append(np.abs(off) < NINETY * sd)
        narrowed.append(sd < MOVED * np.linalg.norm(step) * result.width)
    held, told = np.array(inside), np.array(narrowed)
    out = ~result.kept
    bad = np.flatnonzero(wrong >= 0)
    named = int(out[bad, wrong[bad]].sum())
    after, effect = {}, {}
    for swap in SWAPS.get(name, ()) if swaps is None else swaps:
        words = ", ".join(f"{part} {value}" for part, value in swap.items())
        after[words], effect[words] = nearer(solver, swap, result.mean, z)
    return Figures(
        float(held[told].mean()),
        float(held.mean()),
        len(bad),
        named,
        int(out.sum()) - named,
        after,
        effect,
        float(result.rare.any(axis=1).mean()),
    )


def nearer(solver: FaultSolver, swap: Mapping[str, str], fitted: Array, true: Array) -> tuple[float, float]:
    """By what factor the fitted amp foretells readings after a swap, and their change, better than the drawn
    amp: each reading's root mean square error, in proportion to the reading, then the geometric mean.
    """
    other = solver_of(solver.ready.amp.changed(swap), solver.probes)
    names = {v.name: k for k, v in enumerate(solver.varied)}
    same = [names.get(v.name, -1) if v.part not in swap else -1 for v in other.varied]

    def swapped(z: Array, drawn: bool) -> tuple[Array, Array]:
        at = 0.0 * solver.means if drawn else solver.means + solver.deviation * z
        x = np.where(np.array(same) >= 0, np.broadcast_to(at, z.shape)[:, same], 0.0)
        before = solver.readings_at(np.broadcast_to(at, z.shape))[0]
        return before, other.readings_at(x)[0]

    truth, own, drawn = (swapped(z, d) for z, d in ((true, False), (fitted, False), (true[:1], True)))
    moves = np.abs(np.mean(truth[1] - truth[0], axis=0)) > 0.003 * np.abs(np.mean(truth[0], axis=0))

    def error(one: tuple[Array, Array], change: bool) -> Array:
        off = (one[1] - one[0]) - (truth[1] - truth[0]) if change else one[1] - truth[1]
        return np.asarray(np.sqrt(np.mean(np.square(off), axis=0))[moves])

    return tuple(
        float(np.exp(np.mean(np.log(error(drawn, change) / error(own, change))))) for change in (False, True)
    )  # type: ignore[return-value]


def main(arguments: list[str]) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("amps", nargs="*", default=["teasel"])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    for name in asked.amps:
        for way in WAYS:
            one = study(name, way, asked.count, asked.seed)
            say(f"{name}, {way}: 90 % intervals hold the truth in {one.narrowed:.1%} of what readings "
                f"narrow, {one.every:.1%} of all; {one.named} of {one.wrong} wrong readings named, "
                f"{one.falsely} good ones; a grid current in {one.fed:.0%} of the amps")  # fmt: skip
            for swap in one.after:
                say(f"  {swap}: {one.after[swap]:.1f} times nearer after the swap, "
                    f"{one.effect[swap]:.1f} times in what it changes")  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])

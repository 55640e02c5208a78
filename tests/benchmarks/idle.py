"""Idle points of a whole amp (14 ports) in one batch, against a loop over scipy.optimize.root.

python -m tests.benchmarks.idle [members] [members of the loop]

Both solve the same port equations with the same laws, from the same start; the loop is given the
analytic Jacobian or left to find its own.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.optimize import root

from tests.benchmarks.clock import best_of, say
from tests.circuits import amp, wild
from tubekit.circuit.network import Group, assemble
from tubekit.circuit.newton import TOLERANCE, block_diagonal, evaluate, on_one_core, solve_ports
from tubekit.circuit.reduction import Reduced, reduce_to_ports

Array = np.ndarray


def one_by_one(reduced: Reduced, members: int, jacobian: bool) -> tuple[Array, Array]:
    """Port voltages (members, P) by the general root finder, and which it says it found."""
    result, good = [], []
    for k in range(members):
        groups = tuple(Group(g.law.subset([k]), g.names, g.ports) for g in reduced.network.groups)
        opened, resistance = reduced.open[k], reduced.resistance[k]

        def residual(v: Array, groups=groups, opened=opened, resistance=resistance):
            currents, slopes = evaluate(groups, v[None])
            left = v - opened + resistance @ currents[0]
            if not jacobian:
                return left
            return left, np.eye(len(v)) + resistance @ block_diagonal(groups, slopes)[0]

        answer = root(residual, opened, jac=jacobian, tol=TOLERANCE)
        result.append(answer.x)
        good.append(answer.success)
    return np.array(result), np.array(good)


@on_one_core
def run(members: int = 10_000, looped: int = 200, repeats: int = 3) -> dict[str, float]:
    """Seconds per circuit of each way, ratios, and the largest difference of port voltages [V]."""
    factors = wild(members, 0.05, seed=1)
    reduced = reduce_to_ports(assemble(amp(factors)))
    batch = solve_ports(reduced)
    newton = best_of(repeats, lambda: solve_ports(reduced)) / members
    whole = best_of(repeats, lambda: solve_ports(reduce_to_ports(assemble(amp(factors))))) / members
    figures = {"ports": reduced.open.shape[1], "newton_s": newton, "whole_s": whole}
    for name, jacobian in (("root", False), ("root_jacobian", True)):
        volts, good = one_by_one(reduced, looped, jacobian)
        figures[f"{name}_s"] = best_of(1, lambda j=jacobian: one_by_one(reduced, looped, j)) / looped
        figures[f"{name}_ratio"] = figures[f"{name}_s"] / newton
        figures[f"{name}_found"] = float(good.mean())
        figures[f"{name}_off_v"] = float(np.abs(volts - batch.volts[:looped]).max())
    figures["converged"] = float(batch.converged.mean())
    return figures


if __name__ == "__main__":
    f = run(*map(int, sys.argv[1:]))
    say(
        f"{f['ports']:.0f} ports, batch: {1e6 * f['newton_s']:.1f} µs a circuit, "
        f"{f['converged']:.2%} converged"
    )
    say(f"  with assembly and reduction {1e6 * f['whole_s']:.1f} µs")
    for name, words in (("root", "own Jacobian"), ("root_jacobian", "analytic Jacobian")):
        say(
            f"scipy.optimize.root, {words}: {1e6 * f[name + '_s']:.0f} µs a circuit, "
            f"{f[name + '_ratio']:.0f} times as long; "
            f"{f[name + '_found']:.1%} found, within {f[name + '_off_v']:.1e} V"
        )

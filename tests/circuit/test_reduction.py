"""A batch reduced by its first member, and once for all rounds of a supply: the same as each by itself."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import amp
from tubekit.amp.settings import apply_settings
from tubekit.analyses.operating_point import Feed, solve_network
from tubekit.bench.fault_table import fault_settings
from tubekit.bench.faults import single_faults
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.reduction import reduce_to_ports, reduce_with_rectifiers
from tubekit.decisions.population import variables, with_fault_ports


@pytest.fixture(scope="module")
def faulty() -> Network:
    """The good amp and 60 with parts open, shorted, drifted and leaky."""
    one = amp("teasel")
    changes = [{}, *(grade for fault in single_faults(one) for grade in fault.grades)][:61]
    settings = fault_settings(variables(one, "vintage"), changes)
    return assemble(apply_settings(with_fault_ports(one).circuit, settings))


def test_members_reduced_by_the_first_are_those_reduced_alone(faulty: Network) -> None:
    together = reduce_to_ports(faulty)
    for k in range(faulty.size):
        alone = reduce_to_ports(faulty.members(np.array([k])))
        ohms = alone.resistance.max()
        assert np.abs(together.resistance[k] - alone.resistance[0]).max() < 1e-7 * ohms
        assert np.abs(together.transfer[k] - alone.transfer[0]).max() < 1e-7 * np.abs(alone.transfer).max()


def test_a_line_beside_the_ports_is_a_line_in_the_network(faulty: Network) -> None:
    count = (faulty.size, len(faulty.rectifiers))
    feed = Feed(np.full(count, 0.05), np.full(count, -30.0), 1e-3 * np.eye(count[1]) * np.ones((*count, 1)))
    ports = solve_network(faulty, feed, ports=reduce_with_rectifiers(faulty))
    whole = solve_network(faulty, feed)
    both = ports.convergence.converged & whole.convergence.converged
    assert both.mean() > 0.9
    assert np.abs(ports.unknowns - whole.unknowns)[both].max() < 1e-5
    assert np.abs(ports.rectifier_currents - whole.rectifier_currents)[both].max() < 1e-8

"""From parts to matrices: what is refused, what floats, what a batch may hold."""

from __future__ import annotations

import numpy as np
import pytest

from tests.circuits import stage
from tubekit.analyses.operating_point import operating_point
from tubekit.circuit.network import assemble
from tubekit.circuit.parts import (
    Capacitor,
    Circuit,
    CurrentSource,
    Device,
    Part,
    Resistor,
    VoltageSource,
    Windings,
    Wire,
)
from tubekit.errors import CircuitError


def battery(*parts: Part) -> Circuit:
    return Circuit((VoltageSource("B", "b", "ground", 10.0), *parts))


def refused(*parts: Part) -> str:
    with pytest.raises(CircuitError) as error:
        operating_point(battery(*parts))
    return str(error.value)


def test_a_divider_by_hand() -> None:
    point = operating_point(battery(Resistor("R1", "b", "m", 3e3), Resistor("R2", "m", "ground", 2e3)))
    assert point.volts("m") == pytest.approx(4.0)
    assert point.unknowns[0, point.network.unknowns.index("I(B)")] == pytest.approx(-2e-3)


def test_a_current_source_drives_from_its_first_node_into_its_second() -> None:
    point = operating_point(
        battery(CurrentSource("I1", "ground", "m", 1e-3), Resistor("R1", "m", "ground", 5e3))
    )
    assert point.volts("m") == pytest.approx(5.0)


def test_a_winding_drops_its_copper_only() -> None:
    choke = Windings("L1", (("b", "m"),), (100.0,), np.array([[10.0]]))
    assert operating_point(battery(choke, Resistor("R1", "m", "ground", 400.0))).volts("m") == pytest.approx(
        8
    )


def test_wires_make_nodes_one_and_may_reach_ground() -> None:
    point = operating_point(
        battery(Wire("S1", "b", "c"), Resistor("R1", "c", "d", 1e3), Wire("S2", "d", "ground"))
    )
    assert point.volts("c") == 10.0
    assert point.volts("d") == 0.0
    assert point.volts("b", "c") == 0.0


def test_an_island_behind_a_capacitor_is_named_and_solved() -> None:
    circuit = battery(Capacitor("C1", "b", "x", 1e-6), Resistor("R1", "x", "y", 1e3))
    assert assemble(circuit).floating == ("x",)
    assert operating_point(circuit).volts("y") == pytest.approx(0.0)


def test_a_cut_cathode_resistor_leaves_a_tube_at_cut_off() -> None:
    point = operating_point(stage().without("RK1"))
    assert abs(float(point.current("V1"))) < 1e-8  # 5 V over 1 GΩ of insulation
    assert point.volts("p1") == pytest.approx(250.0, abs=1e-3)
    assert 1.0 < float(point.volts("k1")) < 250.0


def test_a_shorted_source_is_named() -> None:
    assert refused(Wire("F1", "b", "ground")).startswith("B: both ends of the source are connected together")


@pytest.mark.parametrize("volts", [10.0, 12.0])
def test_two_sources_in_parallel_are_refused(volts: float) -> None:
    message = refused(VoltageSource("B2", "b", "ground", volts))
    assert "leaves this undetermined" in message
    assert "two sources in parallel" in message
    assert message.startswith(("I(B)", "I(B2)"))


def test_a_coil_without_copper_across_a_source_is_refused() -> None:
    assert "I(" in refused(Windings("L1", (("b", "ground"),), (0.0,), np.array([[1.0]])))


@pytest.mark.parametrize(
    ("part", "words"),
    [
        (Resistor("R1", "b", "ground", 0.0), "R1: a resistance of 0"),
        (Resistor("R1", "b", "ground", np.array([1.0, -5.0])), "R1: a resistance of -5"),
        (Resistor("R1", "b", "ground", np.nan), "R1: a value is not a finite number"),
        (Capacitor("C1", "b", "ground", -1e-6), "C1: a capacitance of -1e-06 F is below zero"),
        (VoltageSource("B2", "c", "ground", np.inf), "B2: a value is not"),
        (CurrentSource("I1", "c", "ground", np.nan), "I1: a value is not"),
        (Windings("L1", (("b", "c"),), (-1.0,), np.eye(1)), "L1: a copper resistance of -1"),
        (Windings("T1", (("b", "c"), ("d", "e")), (1.0, 1.0), np.eye(1)), "T1: 2 coils need 2"),
    ],
)
def test_values_out_of_range_name_the_part(part: Part, words: str) -> None:
    assert refused(part).startswith(words)


def test_a_section_with_a_terminal_too_few_is_refused() -> None:
    triode = stage().of(Device)[0]
    with pytest.raises(CircuitError, match=r"V9: 1 terminals .* plate, grid, then the cathode"):
        assemble(Circuit((Device("V9", triode.law, ("p",), "k"),)))


def test_one_name_for_two_parts_is_refused() -> None:
    with pytest.raises(CircuitError, match="R1: two parts have this name"):
        battery(Resistor("R1", "b", "c", 1.0), Resistor("R1", "c", "ground", 1.0))


def test_batches_of_unequal_length_are_refused() -> None:
    message = refused(
        Resistor("R1", "b", "m", np.array([1.0, 2.0])),
        Resistor("R2", "m", "ground", np.array([1.0, 2.0, 3.0])),
    )
    assert "different numbers of values: [2, 3]" in message


def test_a_batch_of_one_is_still_a_batch() -> None:
    point = operating_point(battery(Resistor("R1", "b", "ground", np.array([5.0]))))
    assert np.shape(point.volts("b")) == (1,)


def test_an_unknown_node_or_section_lists_near_matches() -> None:
    point = operating_point(stage())
    with pytest.raises(CircuitError, match=r"p2: no such node.* Near: p1"):
        point.volts("p2")
    with pytest.raises(CircuitError, match=r"v1: no such tube section.* Near: V1"):
        point.current("v1")
    with pytest.raises(CircuitError, match="V1: has no screen"):
        point.current("V1", "screen")


def test_parts_are_found_added_and_taken_out() -> None:
    circuit = stage()
    assert [part.name for part in circuit.of(Resistor)] == ["RL1", "RK1", "RG1"]
    assert "x" in circuit.with_parts(Resistor("R9", "x", "ground", 1.0)).nodes
    assert circuit.without("RK1", "V1").nodes == ("b", "p1", "g1")

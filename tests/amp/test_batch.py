"""One amp gives floats, a batch arrays, a batch of one too; a single amp stays one whatever is in it."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from tests import amps
from tests.supplies import FULL_WAVE, supply
from tubekit import analyze, load_amp
from tubekit.amp import Amp, amp_from_text
from tubekit.amp.supply import supply_report
from tubekit.analyses.transient import transient
from tubekit.circuit.network import assemble
from tubekit.circuit.parts import Circuit, Resistor, VoltageSource
from tubekit.decisions.limits import limits
from tubekit.errors import CircuitError

INRUSH = """
[amp]
extends = "teasel"
[F1]
nodes = ["mains_line", "mains_f"]
[RT1]
nodes = ["mains_f", "mains_fused"]
value = "10"
hot = "0.5"
rating = "2 A"
"""
SWINGING = """
[amp]
extends = "burdock"
[L1]
swing = "20 H 10 mA"
"""


def figures(record: Any) -> list[tuple[str, Any]]:
    """Every figure of a reading, by its field."""
    return [
        (field.name, getattr(record, field.name))
        for field in dataclasses.fields(record)
        if "unit" in field.metadata and getattr(record, field.name) is not None
    ]


def readings(amp: Amp) -> list[tuple[str, Any]]:
    report = analyze(amp)
    records = (*report.nodes, *report.tubes, *report.rails, *report.rectifiers, *report.windings)
    checks = [(f"{one.part} {one.code}", value) for one in limits(report) for value in (one.value, one.share)]
    return [*(each for one in records for each in figures(one)), *checks]


@pytest.mark.parametrize("text", [INRUSH, SWINGING], ids=["thermistor", "swinging choke"])
def test_a_part_that_sets_itself_leaves_one_amp_one(text: str) -> None:
    amp = amp_from_text(text)
    assert amp.batch is None
    state = analyze(amp).solved.state
    assert state.operating_point.network.batch is None
    assert [name for name, value in readings(amp) if not isinstance(value, float)] == []
    run = transient(state.circuit, 2e-3, frequency_hz=amp.mains_hz, start=state)  # refuses a batch
    assert run.time[-1] == pytest.approx(2e-3)


@pytest.mark.parametrize(
    ("changes", "count"),
    [
        ({"R14": ["330"]}, 1),
        ({"V5": ["5AR4"]}, 1),
        ({"V3": ["6V6GT"]}, 1),
        ({"R14.rating": ["5 W", "3 W"]}, 2),  # in no equation
        ({"R14": ["270", "270"]}, 2),
    ],
    ids=str,
)
def test_a_batch_is_what_the_amp_says(changes: dict[str, object], count: int) -> None:
    amp = load_amp("teasel").changed(changes)
    network = analyze(amp).solved.state.operating_point.network
    assert (amp.batch, network.batch, network.size) == (count, count, count)
    assert [(name, value) for name, value in readings(amp) if np.shape(value) != (count,)] == []


@pytest.mark.parametrize(
    ("name", "part", "types"),
    [
        ("vetch", "V2", ["6V6GTA", "50L6GT", "12SJ7", "6L6GC"]),
        ("teasel", "V3", ["50L6GT", "6V6", "6F6", "35L6GT"]),
        ("teasel", "V5", ["5U4GB", "6X5GT", "GZ34"]),
        ("series-string", "V2", ["6V6GT", "35L6GT", "KT88"]),
    ],
)
def test_each_type_of_a_batch_is_heated_as_it_is_alone(name: str, part: str, types: list[str]) -> None:
    """Before: 50 V heaters on 6.3 V gave full emission in a list, or a list with one of them went cold."""
    drawn = amps.amp(name)
    batch = analyze(drawn.changed({part: types})).solved.state
    places = batch.operating_point.network.index
    for k, type_ in enumerate(types):
        alone = analyze(drawn.changed({part: type_})).solved.state
        each = {node: alone.mean(node)[0] for node in alone.operating_point.network.index}
        listed = {node: batch.mean(node)[k] for node in each if node in places}
        assert listed == pytest.approx({node: each[node] for node in listed}, rel=1e-3, abs=1e-3), type_


def test_filters_of_a_batch_of_one_are_arrays_and_of_one_amp_floats() -> None:
    amp = supply(FULL_WAVE)
    for one, shape in ((amp, ()), (amp.changed({"C1": ["10u"]}), (1,))):
        for filter_ in supply_report(one).filters:
            assert {np.shape(value) for name, value in figures(filter_) if name.endswith("_v")} == {shape}


def test_a_circuit_may_state_its_batch() -> None:
    parts = (
        VoltageSource("B", "a", "ground", 10.0),
        Resistor("R1", "a", "ground", np.array([5.0, 6.0, 7.0])),
    )
    assert assemble(Circuit(parts)).batch == 3
    assert assemble(Circuit(parts[:1], "", 3)).batch == 3
    assert assemble(Circuit((parts[0], Resistor("R1", "a", "ground", np.array([5.0]))))).batch == 1
    with pytest.raises(CircuitError, match="3 entries in a batch of 2"):
        assemble(Circuit(parts, "", 2))

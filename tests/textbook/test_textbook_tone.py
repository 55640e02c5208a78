"""Tone networks: the handbook's response, and what turning a knob must do."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import frequency_response, operating_point, textbook
from tubekit.circuit.parts import Circuit
from tubekit.errors import InputError
from tubekit.tables import handbook

HZ = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]


def response(circuit: Circuit, hz: list[float]) -> np.ndarray:
    return frequency_response(operating_point(circuit), "in", ["out"], hz).gain_db[0, :, 0]


@pytest.mark.parametrize(
    "row", handbook("three_control_network"), ids=lambda r: f"{r['treble']}, {r['mid']}, {r['bass']}"
)
def test_three_control_against_the_handbook(row) -> None:
    # data/handbook/three_control_network.csv: computed from the symbolic transfer function with the parts of
    # W19; the network here has 0.4 times their impedances, which leaves every ratio as it is.
    circuit = textbook.three_control(treble=row["treble"], middle=row["mid"], bass=row["bass"])
    printed = [row[f"dB_{hz}Hz"] for hz in HZ]
    np.testing.assert_allclose(response(circuit, HZ), printed, atol=0.01)


def test_the_stops_are_reached() -> None:
    for treble in (0.0, 1.0):
        for bass in (0.0, 1.0):
            assert np.isfinite(response(textbook.three_control(treble=treble, bass=bass), HZ)).all()


def test_positions_may_be_a_batch() -> None:
    turns = np.array([0.0, 0.3, 1.0])
    point = operating_point(textbook.three_control(treble=turns))
    batch = frequency_response(point, "in", ["out"], HZ).gain_db[:, :, 0]
    singles = [response(textbook.three_control(treble=float(turn)), HZ) for turn in turns]
    np.testing.assert_allclose(batch, singles, rtol=1e-9)


def test_other_parts_and_what_is_none() -> None:
    stiff = textbook.three_control(parts={"slope": 100e3})
    assert np.abs(response(stiff, HZ) - response(textbook.three_control(), HZ)).max() > 1.0
    with pytest.raises(InputError, match=r"slop: is not a part of this network.*Near: slope"):
        textbook.three_control(parts={"slop": 1.0})
    with pytest.raises(InputError, match="beyond the stops"):
        textbook.three_control(treble=1.2)

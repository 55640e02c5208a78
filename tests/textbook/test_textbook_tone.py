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


def test_two_control_is_flat_at_minus_20_db_half_way() -> None:
    # data/handbook/passive_bass_treble_curve.csv, printed: flat -20 dB (part values there not seen).
    level = response(textbook.two_control(), HZ)
    np.testing.assert_allclose(level, -20.5, atol=1.0)


@pytest.mark.parametrize(("setting", "turn"), [("max_boost", 1.0), ("max_cut", 0.0)])
def test_two_control_has_the_shape_of_the_printed_curve(setting: str, turn: float) -> None:
    # The printed network's parts were not seen: the middle within 3 dB, the ends of the bands within 6 dB in
    # boost and 12 dB in cut, where they hang on the smallest resistor.
    rows = [r for r in handbook("passive_bass_treble_curve", setting=setting) if isinstance(r["dB"], float)]
    hz, printed = (np.array([r[name] for r in rows]) for name in ("f_Hz", "dB"))
    result = response(textbook.two_control(treble=turn, bass=turn), hz)
    middle = (hz >= 400) & (hz <= 800)
    assert np.abs(result - printed)[middle].max() < 3
    ends = (hz == 20) | (hz == 10000)
    assert np.abs(result - printed)[ends].max() < (6 if turn else 12)
    assert np.all(np.sign(result[ends] + 20) == (1 if turn else -1))


def test_turning_a_knob_moves_its_own_band() -> None:
    def moved(knob: str) -> np.ndarray:
        low, high = (textbook.two_control(**{knob: turn}) for turn in (0.1, 0.9))
        return np.abs(response(high, [50.0, 10000.0]) - response(low, [50.0, 10000.0]))

    bass, treble = moved("bass"), moved("treble")
    assert bass[0] > 15
    assert treble[1] > 15
    assert max(bass[1], treble[0]) < 2


@pytest.mark.parametrize("make", [textbook.two_control, textbook.three_control])
def test_the_stops_are_reached(make) -> None:
    for treble in (0.0, 1.0):
        for bass in (0.0, 1.0):
            assert np.isfinite(response(make(treble=treble, bass=bass), HZ)).all()


def test_positions_may_be_a_batch() -> None:
    turns = np.array([0.0, 0.3, 1.0])
    batch = textbook.solve(textbook.three_control(treble=turns))
    singles = [textbook.solve(textbook.three_control(treble=float(t))).gain for t in turns]
    np.testing.assert_allclose(batch.gain, singles, rtol=1e-9)


def test_source_and_load_take_their_part() -> None:
    bare = textbook.solve(textbook.three_control()).gain
    fed = textbook.three_control(source_resistance=38e3, load=1e6)
    assert textbook.solve(fed).gain < 0.95 * bare


def test_other_parts_and_what_is_none() -> None:
    stiff = textbook.three_control(parts={"slope": 100e3})
    assert textbook.solve(stiff).gain != textbook.solve(textbook.three_control()).gain
    with pytest.raises(InputError, match=r"slop: is not a part of this network.*Near: slope"):
        textbook.three_control(parts={"slop": 1.0})
    with pytest.raises(InputError, match="is not between 0 and 1"):
        textbook.two_control(treble=1.2)

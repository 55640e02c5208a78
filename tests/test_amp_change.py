"""Swaps: new amps, batches, what is remembered; nothing mutates."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import amp
from tubekit.amp.amp import Amp
from tubekit.amp.load import load_amp
from tubekit.amp.parts import Capacitor, Jack, Potentiometer, Resistor, Switch, Tube
from tubekit.errors import ChangeError


@pytest.fixture(scope="module")
def teasel() -> Amp:
    return load_amp("teasel")


def ohms(amp: Amp, name: str) -> object:
    part = amp.parts[name]
    assert isinstance(part, Resistor | Potentiometer)
    return part.ohms


def test_a_value_is_swapped_and_the_drawn_amp_stays(teasel: Amp) -> None:
    before = teasel.copy_as_text()
    amp = teasel.changed({"R14": "330"})
    assert ohms(amp, "R14") == 330.0
    assert teasel.copy_as_text() == before
    assert amp.drawn is teasel
    assert amp.parts["R15"] is teasel.parts["R15"]
    assert amp.changes == {"R14": ("270 Ω", "330 Ω")}
    assert teasel.changes == {}


@pytest.mark.parametrize(
    "value", ["330", "330R", "0.33k", 330, 330.0, np.float64(330), np.array(330), "330 ohm"]
)
def test_a_value_may_be_written_in_many_ways(value: object, teasel: Amp) -> None:
    assert ohms(teasel.changed({"R14": value}), "R14") == 330.0
    assert teasel.changed({"R14": value}).batch is None


def test_types_settings_ratings_and_wiring(teasel: Amp) -> None:
    amp = teasel.changed(
        {
            "V5": "5AR4",
            "R31.position": 0.3,
            "V3.emission": 0.8,
            "C14.rating": "600 V",
            "C14.volts": "500 V",
            "S1": "open",
            "J2": True,
            "V3.screen": "p3",
            "V1.b.grid": "g1a",
            "R15.nodes": ["drive3", "tail2b"],
            "T1.heater.rating": "4 A",
            "T2.primary.inductance": 20,
        }
    )
    assert amp.parts["V5"].type == "5AR4"
    assert amp.parts["V5"].socket == teasel.parts["V5"].socket
    assert amp.parts["R31"].position == 0.3
    assert amp.parts["V3"].emission == 0.8
    assert isinstance(amp.parts["C14"], Capacitor)
    assert amp.parts["C14"].volts == 500.0
    assert isinstance(amp.parts["S1"], Switch)
    assert (amp.parts["S1"].position, amp.parts["S1"].condition) == ("open", "fitted")
    assert isinstance(amp.parts["J2"], Jack)
    assert amp.parts["J2"].plugged is True
    assert isinstance(amp.parts["V3"], Tube)
    assert amp.parts["V3"].sections[0].screen == "p3"
    assert [one.grid for one in amp.parts["V1"].sections] == ["g1a", "g1a"]
    assert amp.parts["R15"].ends == ("drive3", "tail2b")
    assert amp.parts["T1"].winding("heater").amps == 4.0
    assert amp.parts["T2"].henries == 20.0
    assert amp.changes["V5"] == ("5Y3GT", "5AR4")
    assert amp.changes["S1"] == ("closed", "open")
    assert amp.changes["J2"] == ("empty", "plugged in")
    assert amp.changes["V3.screen"] == ("s3", "p3")
    assert amp.changes["T2.primary.inductance"] == ("28 H", "20 H")


def test_open_short_fitted_and_removed(teasel: Amp) -> None:
    amp = teasel.changed({"C14": "open", "R24": "short", "C3": "removed", "F1": "open"})
    assert amp.parts["C14"].condition == "open"
    assert amp.parts["R24"].condition == "short"
    assert amp.parts["F1"].condition == "open"
    assert "C3" not in amp.parts
    assert ohms(amp, "R24") == 220e3  # the drawn value is kept
    assert amp.changes == {
        "C14": ("20 µF", "open"),
        "R24": ("220 kΩ", "short"),
        "C3": ("25 µF", "removed"),
        "F1": ("1.5 A", "open"),
    }
    mended = amp.changed({"C14": "22u", "R24": "fitted"})
    assert mended.parts["C14"].condition == mended.parts["R24"].condition == "fitted"
    assert mended.changes["C14"] == ("20 µF", "22 µF")
    assert "R24" not in mended.changes


def test_a_removed_part_leaves_its_node_hanging_without_complaint(teasel: Amp) -> None:
    assert teasel.changed({"V1": "removed", "R14": "removed"}).parts_at("k34")


def test_changes_are_told_against_the_drawn_amp(teasel: Amp) -> None:
    amp = teasel.changed({"R14": "330"}).changed({"R14": "220"}, mains_rms=123)
    assert amp.changes == {"R14": ("270 Ω", "220 Ω"), "mains": ("117 V", "123 V")}
    assert amp.drawn is teasel
    assert amp.changed({"R14": 270}, mains_rms=117).changes == {}
    assert teasel.changed({"R14.value": "330"}).changes == {"R14": ("270 Ω", "330 Ω")}


def test_sequences_make_a_batch(teasel: Amp) -> None:
    amp = teasel.changed({"R14": ["220", 270, "330"], "V5": ("5Y3GT", "5AR4", "silicon"), "C14": "40u"})
    assert amp.batch == 3
    np.testing.assert_array_equal(ohms(amp, "R14"), [220.0, 270.0, 330.0])
    assert amp.parts["V5"].type == ("5Y3GT", "5AR4", "silicon")
    assert amp.parts["C14"].farads == 40e-6
    assert amp.changes["R14"] == ("270 Ω", "220 Ω, 270 Ω, 330 Ω")
    with pytest.raises(ValueError, match="read-only"):
        amp.parts["R14"].ohms[0] = 1.0


def test_a_batch_of_mains_and_of_windings(teasel: Amp) -> None:
    amp = teasel.changed(
        {"T1.high_voltage.volts": [[300, 325], ["310 V", "335 V"]], "T1.primary.volts": ["117 V"]},
        mains_rms=np.array([110.0, 120.0]),
    )
    assert amp.batch == 2
    np.testing.assert_array_equal(amp.mains_rms, [110.0, 120.0])
    np.testing.assert_array_equal(amp.parts["T1"].winding("high_voltage").volts[1], [310.0, 335.0])
    assert amp.parts["T1"].primary.volts == (117.0,)
    assert amp.changed({"R14": 330}).batch == 2


def test_a_sequence_cannot_reach_in_from_outside(teasel: Amp) -> None:
    values = np.array([220.0, 330.0])
    amp = teasel.changed({"R14": values})
    values[0] = 1.0
    np.testing.assert_array_equal(ohms(amp, "R14"), [220.0, 330.0])


def test_a_long_batch_is_told_as_its_range(teasel: Amp) -> None:
    amp = teasel.changed({"R14": np.linspace(200, 400, 1000)})
    assert amp.batch == 1000
    assert amp.changes["R14"][1] == "200 Ω…400 Ω"


def test_a_member_is_one_amp(teasel: Amp) -> None:
    amp = teasel.changed(
        {
            "R14": ["220", "330"],
            "V5": ["5Y3GT", "5AR4"],
            "T1.high_voltage.volts": [[300, 325], 310],
            "V3.emission": [1, 0.5],
            "C3": "removed",
        },
        mains_rms=[110, 120],
    )
    one = amp.member(1)
    assert one.batch is None
    expected = teasel.changed(
        {
            "R14": "330",
            "V5": "5AR4",
            "T1.high_voltage.volts": [325, 310],
            "V3.emission": 0.5,
            "C3": "removed",
        },
        mains_rms=120,
    )
    assert one.copy_as_text() == expected.copy_as_text()
    assert one.changes == expected.changes
    assert amp.member(0).changes["R14"] == ("270 Ω", "220 Ω")


def test_no_change_is_a_whole_amp_too(teasel: Amp) -> None:
    assert teasel.changed().copy_as_text() == teasel.changed({}).copy_as_text() == teasel.copy_as_text()


def test_another_base_is_allowed_and_the_socket_remembered(teasel: Amp) -> None:
    amp = teasel.changed({"V5": "6X4"})
    assert isinstance(amp.parts["V5"], Tube)
    assert amp.parts["V5"].type == "6X4"
    assert amp.parts["V5"].socket == "octal"


@pytest.mark.parametrize(
    ("changes", "text", "meant"),
    [
        (
            {"C14": "47m"},
            "no electrolytic capacitor in a tube amp has 47,000 µF at 475 V",
            "For 47 µF, write 47u",
        ),
        ({"C11": "22m"}, "22,000 µF at", "For 22 µF, write 22u"),
        ({"C14": "0.02"}, "20,000 µF at 475 V", "For 20 µF, write 20u"),
    ],
)
def test_a_capacitor_nobody_sells_is_asked_about(changes, text, meant):
    with pytest.raises(ChangeError) as caught:
        load_amp("teasel").changed(changes)
    assert text in str(caught.value)
    assert meant in str(caught.value)
    assert load_amp("teasel").changed({"C14": "220u"}).parts["C14"].farads == pytest.approx(220e-6)


def test_a_speaker_taken_out_takes_its_field_coil_along():
    """The field coil is in the speaker: everything after it loses B+."""
    after = amp("paraphase-field-coil").changed({"LS1": "removed"})
    assert after.parts["L1"].condition == "open"
    assert after.changes["L1"][1] == "open"
    assert amp("paraphase-field-coil").parts["L1"].condition == "fitted"

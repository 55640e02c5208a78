"""Every swap that cannot be gets a message with amp, designator and fix."""

# Each case is read as one line: the change, and what is said of it.
# ruff: noqa: E501

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, strategies as st

from tests.failures.amp_texts import TEASEL
from tubekit.amp.amp import Amp
from tubekit.amp.load import amp_from_text, load_amp
from tubekit.errors import AmpFileError, ChangeError

CHANGES = {
    "no such part": ({"R99": "330"}, "R99: there is no part 'R99'", "Type the part as the schematic labels it", "Near: R9"),
    "lower case": ({"r14": "330"}, "r14: there is no part 'r14'", "Type the part as the schematic labels it", "Near: R14"),
    "a tube on a resistor": ({"R14": "12AX7"}, "R14: value '12AX7' is not a resistance", "R14 is a resistor. Write it like", "4K7"),
    "a value on a tube": ({"V3": "330"}, "V3: type '330' is not a known tube type", "V3 is a tube", ""),
    "a number on a tube": ({"V3": 330}, "V3: type is 330, not a tube type", "V3 is a tube", "12AX7"),
    "microfarad on ohm": ({"R14": "25 uF"}, "R14: value '25 uF' is not a resistance", "R14 is a resistor", ""),
    "none": ({"R14": None}, "R14: value is None", "Write it like", ""),
    "true": ({"R14": True}, "R14: value is true", "Write it like", ""),
    "zero": ({"R14": 0}, "R14: value 0 is outside the plausible range", "decimal point", ""),
    "negative": ({"R14": "-270"}, "R14: value '-270' is outside", "decimal point", ""),
    "too large": ({"R14": 1e12}, "R14: value 1000000000000.0 is outside", "decimal point", ""),
    "nan": ({"R14": float("nan")}, "R14: value nan is not a resistance", "Write it like", ""),
    "a dict": ({"R14": {"value": 3}}, "R14: value is a group of entries", "Write it like", ""),
    "unknown tube": ({"V5": "5AR5"}, "V5: type '5AR5' is not a known tube type", "", "Near: 5AR4"),
    "pentode for triode": ({"V1": "6V6GT"}, "V1: 6V6GT is a pentode, but the socket is wired for a twin triode (12AX7)", "tube of the same kind", ""),
    "triode for pentode": ({"V3": "12AX7"}, "V3: 12AX7 is a twin triode, but the socket is wired for a pentode", "tube of the same kind", ""),
    "wire ends in a socket": ({"V5": "1N4007"}, "V5: type '1N4007' is a silicon diode with wire ends", "'silicon'", ""),
    "rectifier for pentode": ({"V3": "5AR4"}, "V3: 5AR4 is a rectifier", "tube of the same kind", ""),
    "one of a batch": ({"V3": ["6L6GC", "5AR4"]}, "V3: 5AR4 is a rectifier", "tube of the same kind", ""),
    "unknown field": ({"R31.positon": 0.3}, "R31.positon: there is no 'positon' to change", "R31.value", "Near: R31.position"),
    "position over 1": ({"R31.position": 3}, "R31.position: position 3 is outside", "decimal point", ""),
    "unknown winding": ({"T1.hv.volts": 3}, "T1.hv.volts: there is no 'hv.volts'", "T1.high_voltage", ""),
    "unknown winding field": ({"T1.heater.volt": 3}, "T1.heater.volt: there is no 'volt'", "volts", "Near: T1.heater.volts"),
    "a transformer has no value": ({"T1": "330"}, "T1: has no value of its own", "T1.primary", ""),
    "two sections, one value": ({"T1.high_voltage.volts": []}, "T1.high_voltage.volts: volts is a list of 0", "list of 1 or more", ""),
    "plug has no value": ({"P1": "330"}, "P1: has no value of its own", "P1.line", ""),
    "plug removed": ({"P1": "removed"}, "P1: the amp needs its line cord", "mains_rms", ""),
    "open pot": ({"R31": "open"}, "R31: a potentiometer that is open cannot be calculated", "suspects", ""),
    "open in a batch": ({"R14": ["330", "open"]}, "R14: 'open' cannot be one of several", "Make one changed amp", ""),
    "unlike lengths": ({"R14": [1, 2], "R15": [1, 2, 3]}, "R15: one change has 3 values and another has 2", "same number", ""),
    "unlike lengths within": ({"T1.high_voltage.volts": [[1, 2], [1, 2, 3]]}, "has lists of different lengths", "same number", ""),
    "empty list": ({"R14": []}, "R14: value is an empty list", "Write one value", ""),
    "list in a list": ({"R14": [[1, 2], [3, 4]]}, "R14: value is a list, but must be one number", "Write it like", ""),
    "a list of positions": ({"S1": ["open", "closed"]}, "S1: 'open' cannot be one of several", "Make one changed amp", ""),
    "a list of nodes": ({"V3.screen": ["p3", "s3"]}, "V3.screen: screen is a list", "V3 is a tube. Make one changed amp", ""),
    "unknown node": ({"V3.screen": "p33"}, "V3.screen: nothing in this amp connects to 'p33'", "extends", "Near: p3"),
    "both ends": ({"R14.nodes": ["k34", "k34"]}, "R14.nodes: nodes[1] and nodes[2] both connect to 'k34'", "own point", ""),
    "after removal": ({"R14": "removed", "R14.rating": "5 W"}, "R14.rating: there is no part 'R14'", "as the schematic labels it", ""),
    "empty name": ({"": "330"}, "there is no part ''", "as the schematic labels it", ""),
    "a number as a name": ({14: "330"}, "14: there is no part '14'", "as the schematic labels it", ""),
    "tests' fault": ({"F1": "7 V"}, "F1: rating '7 V' is not a current", "F1 is a fuse", ""),
}  # fmt: skip


@pytest.fixture(scope="module")
def teasel() -> Amp:
    return load_amp("teasel")


@pytest.mark.parametrize("case", CHANGES)
def test_a_swap_that_cannot_be_is_told(case: str, teasel: Amp) -> None:
    changes, problem, fix, near = CHANGES[case]
    before = teasel.copy_as_text()
    with pytest.raises(ChangeError) as caught:
        teasel.changed(changes)
    text = str(caught.value)
    assert text.startswith("teasel: ")
    assert problem in text
    assert fix in text
    assert near in text
    assert teasel.copy_as_text() == before


@pytest.mark.parametrize("mains", [0, -5, 1e9, "0 V", float("nan"), float("inf"), "abc", "", True, {}, [117, 0], [], [[1]], 601, 0.5, "60 Hz"])  # fmt: skip
def test_mains_that_cannot_be(mains: object, teasel: Amp) -> None:
    with pytest.raises(ChangeError) as caught:
        teasel.changed({"R14": "330"}, mains_rms=mains)
    assert str(caught.value).startswith("teasel: mains_rms: ")
    assert "between 1 and 600 V" in str(caught.value)


def test_mains_beside_a_batch_of_another_length(teasel: Amp) -> None:
    with pytest.raises(ChangeError, match="mains_rms: one change has 3 values and another has 2"):
        teasel.changed({"R14": ["220", "330"]}, mains_rms=[110, 117, 123])


def test_changes_must_be_a_mapping(teasel: Amp) -> None:
    with pytest.raises(ChangeError, match="teasel: changes are 'R14=330'"):
        teasel.changed("R14=330")  # type: ignore[arg-type]


def test_a_tube_needs_a_heater_where_none_is_drawn() -> None:
    text = TEASEL.replace('type = "5Y3GT"', 'type = "silicon"').replace('heater = ["B1", "v5_heater"]\n', "")
    text = text.replace("[amp]\n", '[amp]\nleft_open = ["v5_heater"]\n')
    with pytest.raises(
        ChangeError, match="V5: 5Y3GT has a heater, but this socket has no heater connections"
    ):
        amp_from_text(text).changed({"V5": "5Y3GT"})


def test_a_batch_has_no_file_and_one_amp_no_members(teasel: Amp) -> None:
    batch = teasel.changed({"R14": ["220", "330"]})
    with pytest.raises(ChangeError, match=r"these are 2 amps, and a file describes only one.*member\(0\)"):
        batch.copy_as_text()
    with pytest.raises(ChangeError, match="no amp number 2: there are 2 amps"):
        batch.member(2)
    with pytest.raises(ChangeError, match="this is a single amp"):
        teasel.member(0)


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.binary(max_size=3),
    st.lists(st.one_of(st.floats(), st.text(max_size=4)), max_size=3),
    st.sampled_from(["330", "open", "short", "removed", "5AR4", "6L6GC", "12AT7", "p3"]),
)  # fmt: skip


def outcome(make: Callable[[], Amp]) -> Amp | ChangeError | AmpFileError:
    """The amp, or the error that is meant for users; any other exception fails the test."""
    try:
        return make()
    except (ChangeError, AmpFileError) as error:
        return error


@given(st.data())
def test_any_change_gives_an_amp_or_a_change_error(data: st.DataObject) -> None:
    teasel = load_amp("teasel")
    names = st.sampled_from(
        [*teasel.parts, "T1.heater.volts", "V1.a.grid", "V3.screen", "R31.position", "R14.nodes"]
    )
    changes = data.draw(st.dictionaries(st.one_of(names, st.text(max_size=6)), JUNK, max_size=3))
    mains = data.draw(st.one_of(st.none(), JUNK))
    result = outcome(lambda: teasel.changed(changes, mains_rms=mains))
    if isinstance(result, ChangeError):
        assert str(result).startswith("teasel")
    else:
        assert str(result)
    if isinstance(result, Amp) and result.batch is None:
        # A copy may be refused (a part is gone), but never in another way than any amp file.
        copy = outcome(lambda: amp_from_text(result.copy_as_text()))
        assert copy.parts.keys() == result.parts.keys() if isinstance(copy, Amp) else copy.fix

"""One thing, one figure: the answers that take little time, on one amp of each kind."""

from __future__ import annotations

import pytest

from tests.coherence.__main__ import conflicts, gathered
from tests.coherence.printed import figure, read
from tests.coherence.statements import Statement, statements

QUICK = ("report", "swap", "supply", "trace", "bench trace", "judge", "line-band", "hum")


@pytest.mark.parametrize("name", ["vetch", "no-transformer"])
def test_quick_answers_state_one_thing_alike(name):
    result = gathered(name, QUICK)
    assert len({s.by.split(" (")[0] for s in result}) == len(QUICK)
    assert sum(s.figure is not None for s in result) > 100
    assert [s for s in result if s.quantity == "failure"] == []
    assert conflicts(result) == []


def test_a_command_is_asked_with_its_own_options():
    result = gathered("vetch", ("listen", "bench drive"))
    assert {s.by.split(" (")[0] for s in result} == {"listen", "bench drive"}
    assert [s.shown for s in result if s.quantity == "failure"] == []


def test_a_stacked_capacitor_has_its_own_volts_and_those_of_its_node():
    result = gathered("four-output-tubes", ("report", "supply"))
    assert conflicts(result) == []
    text = {(s.quantity, s.by): s.figure.value for s in result if s.place == "C20" and s.figure}
    assert text["DC volts across", "supply"] == text["DC volts across", "report"]
    assert text["DC volts", "report"] == pytest.approx(2 * text["DC volts across", "supply"], rel=0.01)
    assert ("DC volts", "supply") not in text


def test_two_figures_for_one_thing_are_found():
    one = Statement("DC volts", "B1", "286 V", "report")
    assert conflicts([one, Statement("DC volts", "B1", "285.7 V", "supply")]) == []
    other = Statement("DC volts", "B1", "285.4 V", "supply")
    assert conflicts([one, other]) == [(one, other)]
    assert conflicts([one, Statement("DC volts", "B2", "262 V", "supply")]) == []


@pytest.mark.parametrize(
    ("cell", "value", "unit"),
    [("406 V", 406.0, "V"), ("−18.4 mV RMS", -0.0184, "V"), ("4.70 kΩ", 4700.0, "Ω"), ("92.3 %", 92.3, "%")],
)
def test_printed_figures_are_read(cell, value, unit):
    read_one = figure(cell)
    assert read_one.value == pytest.approx(value, rel=1e-12)
    assert read_one.unit == unit


def test_a_table_is_read_by_its_heads():
    page = (
        "<table><caption>Nodes (to ground)</caption><tr><th>node</th><th>DC</th></tr>"
        "<tr><td>B1</td><td>286 V</td></tr></table>"
    )
    (sheet,), _ = read(page)
    assert [(s.quantity, s.place, s.shown) for s in statements(sheet, "report", set())] == [
        ("DC volts", "B1", "286 V")
    ]

"""An amp fitted to its readings: intervals hold the truth, one wrong reading is named, answers follow it.

Truths are drawn by the study's generators (`tests.benchmarks.twin`), in ways that are not our own spread.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp
from tests.benchmarks.twin import drawn_amps, probes_of, solver_of, study
from tubekit.amp.parts.faults import NO_LEAK, CircuitParameter
from tubekit.bench.twin import change_since, fitted_amp, twin
from tubekit.decisions.population import with_fault_ports
from tubekit.decisions.probe import Probe, meter_values
from tubekit.decisions.reading import Reading, taken
from tubekit.errors import ReadingError


@pytest.mark.parametrize("way", ["even", "wide"])
def test_intervals_hold_the_truth_as_often_as_they_say(way: str) -> None:
    """Twelve amps: 300 are `python -m tests.benchmarks.twin`; so few may be off by some points."""
    figures = study("teasel", way, 12, 3, swaps=({"R14": "330"},))
    assert 0.80 < figures.narrowed < 0.98
    assert figures.falsely <= 1
    assert figures.after["R14 330"] > 2.0


def test_fitted_amp_shows_what_its_variables_show() -> None:
    """`Amp.trim` and values carry every variable into the circuit that all answers are solved by."""
    solver = solver_of(amp("teasel"), probes_of(amp("teasel")))
    z = drawn_amps(solver, "own", 1, np.random.default_rng(4))
    x = solver.means + solver.deviation * z
    one = fitted_amp(amp("teasel"), solver.varied, x[0])
    direct = solver.direct
    shown = meter_values(one, with_fault_ports(one).circuit, [solver.probes[m] for m in direct])
    loaded = shown.loaded(np.full(len(direct), 10e6))[0]
    np.testing.assert_allclose(loaded, solver.readings_at(x)[0][0, direct], rtol=1e-3)
    renewed = one.changed({"R14": "330", "V5": "5AR4"})
    assert {"V5"} == {p.designator for p in one.trim} - {p.designator for p in renewed.trim}
    assert renewed.parts["R14"].ohms == 330.0


def _readings(worn: dict[str, str], trim=None, **wrong: float):  # type: ignore[no-untyped-def]
    """A perfect meter on an amp that differs, one reading wrong."""
    drawn, probes = amp("teasel"), probes_of(amp("teasel"))[:-1]
    true = replace(drawn.changed(worn), trim=trim or {})
    shown = meter_values(true, with_fault_ports(true).circuit, probes).loaded(np.full(len(probes), 10e6))[0]
    values = [wrong.get(p.place[0], float(v)) for p, v in zip(probes, shown, strict=True)]
    return taken(drawn, [Reading(p, v) for p, v in zip(probes, values, strict=True)], mains_rms=117)


def test_wrong_reading_is_named_and_changes_nothing() -> None:
    good, bad = twin(_readings({"V3.emission": "0.9"})), twin(_readings({"V3.emission": "0.9"}, p2b=150.0))
    assert [each.reading.probe.place[0] for each in bad.misfits] == ["p2b"]
    assert "p2b" in bad.headline()
    assert not good.misfits
    one, two = (next(e for e in each.estimates if e.words == "V3 emission") for each in (good, bad))
    assert two.value == pytest.approx(one.value, abs=1.0)
    assert one.low < 90.0 < one.high


LEAKY = {CircuitParameter("C11.leak", "ohms"): (5e6 / NO_LEAK, 0.0)}


def test_a_leaky_coupling_capacitor_is_no_strong_tube_and_the_reading_that_decides_is_named() -> None:
    found = twin(_readings({}, LEAKY))
    (one,) = found.grids
    assert (one.tube, one.capacitors) == ("V3", ("C11",))
    assert not found.misfits
    assert "To decide: unplug, discharge, pull V3; then DC volts at V3 grid (g3)" in found.headline()
    assert twin(_readings({"V3.emission": "1.2", "R14": "290"})).grids == ()
    mended = found.without_currents(found.amp, ["C11"])
    assert {p.part for p in found.amp.trim} - {p.part for p in mended.trim} == {"V3.gas"}
    assert found.without_currents(found.amp, ["C12"]).trim == found.amp.trim


def test_parts_are_not_named_for_a_reading_that_was_left_out() -> None:
    bad = twin(_readings({}, p2b=150.0))
    assert [each.reading.probe.place[0] for each in bad.misfits] == ["p2b"]
    assert not any(f"R{k} " in bad.headline() for k in range(1, 40))


def test_change_since_the_last_visit_is_the_tube_that_lost() -> None:
    then = twin(_readings({"V4.emission": "0.97", "R12": "60k"}))
    changed = change_since(then, _readings({"V4.emission": "0.82", "R12": "60k"}))
    assert [each.words for each in changed] == ["V4 emission"]
    assert changed[0].low < 100 * 0.82 / 0.97 < changed[0].high
    assert change_since(then, _readings({"V4.emission": "0.97", "R12": "60k"})) == ()


def test_next_reading_is_about_the_part_asked_for() -> None:
    few = taken(amp("teasel"), _readings({}).readings[:4])
    asked = twin(few, about="V3")
    assert {each.about for each in asked.following} == {"V3 emission"}
    assert asked.following[0].then < asked.following[0].now
    with pytest.raises(ReadingError, match="nothing about this part"):
        twin(few, about="V9")
    with pytest.raises(ReadingError, match="not enough"):
        twin(taken(amp("teasel"), [Reading(Probe("dc_v", ("k34", "ground")), 18.0)]))

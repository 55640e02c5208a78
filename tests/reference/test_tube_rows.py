"""Tube laws against figures from outside: handbook rows, worked examples and maker's limits.

Every row comes from data/handbook and carries its source and status there; the test id names them.
The target for 12AX7 and 6V6GT is 3 % in current, 5 % in gm, 10 % in rp and mu.
"""

from __future__ import annotations

import numpy as np
import pytest

from tubekit.devices import Triode, tube
from tubekit.devices.published import rows_for
from tubekit.devices.residual import Residual
from tubekit.devices.tube_files import fit_plan, fitted_types
from tubekit.tables import handbook

TARGET = {"plate": 0.03, "screen": 0.03, "gm": 0.05, "rp": 0.10, "mu": 0.10}
# What guides the fit without binding it: stages of memory status, full drive, grid current.
GUIDE = {"gain": 0.07, "power": 0.08, "plate_full": 0.04, "screen_full": 0.40, "grid": 0.95}

# Where a row is missed by more than that, by how much at most, and why.
LOOSER = {
    ("ECC83 stage", "plate"): (0.06, "tubes of another maker"),
    ("ECC83 stage 200 V, plate 220 k", "gain"): (0.18, "56.5 stands out of line with its neighbours"),
    ("12AU7 stage", "gain"): (0.14, "cut-off softness held by the maker's limit of 6SN7, its octal kin"),
    ("6SN7GT stage", "gain"): (0.18, "cut-off softness held by the maker's limit at -18 V"),
    ("6SL7GT chart", "plate"): (0.09, "read off a printed chart"),
    ("6L6 ", "screen"): (0.14, "the rows of the family disagree among themselves"),
    ("6L6 ", "gm"): (0.06, "traded for the currents of the family's other rows"),
    ("6L6 ", "power"): (0.11, "as above"),
    ("5881 ", "plate"): (0.06, "another make of the family, weakly recalled"),
    ("5881 ", "screen"): (0.24, "as above"),
    ("5881 ", "power"): (0.14, "as above"),
    ("6L6GC PP", "power"): (0.22, "no row pins the knee at a screen voltage of 400 V"),
    ("6L6GC PP", "screen_full"): (0.85, "as above"),
}


def allowed(residual: Residual) -> float:
    found = [
        limit for (start, quantity), (limit, _) in LOOSER.items()
        if residual.row.startswith(start) and residual.quantity == quantity
    ]  # fmt: skip
    return max(found, default=(TARGET | GUIDE)[residual.quantity])


def figures() -> list[pytest.param]:
    found = []
    for type_ in fitted_types():
        law = tube(type_).law
        for row in rows_for(fit_plan(type_)):
            for quantity, value in row.values.items():
                case = Residual(row.label, quantity, "", value, 0.0, True, row.status, row.source)
                name = f"{row.label}, {quantity} [{row.status}: {row.source}]"
                found.append(pytest.param(law, row, case, id=name.replace("::", ":")))
    return found


@pytest.mark.parametrize(("law", "row", "case"), figures())
def test_a_law_meets_each_published_figure(law, row, case):
    got = row.predict(law)[case.quantity]
    assert got == pytest.approx(case.published, rel=allowed(case))


@pytest.mark.parametrize("type_", ["12AX7", "6V6GT"])
def test_the_target_holds_without_exception_for_published_rows_of(type_):
    rows = [r for r in tube(type_).fit if r.row.startswith(type_) and r.quantity in TARGET]
    assert len(rows) >= 8
    for row in rows:
        assert abs(row.error) <= TARGET[row.quantity], row


def test_worked_example_w08_chart_of_a_12ax7():
    # Bapat, Electronic Circuits and Systems, example 1.1 p. 6 (printed): at -2 V, 250 V, 1.2 mA the
    # chart gives rp 65 k, mu 100, gm 1.7 mA/V (0.5 to 2.2 mA from -2.5 to -1.5 V).
    point = tube("12AX7").at(plate=250.0, grid=np.array([-2.5, -2.0, -1.5]))
    assert point.plate_a[1] == pytest.approx(1.2e-3, rel=0.03)
    assert point.plate_a[2] - point.plate_a[0] == pytest.approx(1.7e-3, rel=0.10)
    assert point.rp[1] == pytest.approx(65e3, rel=0.10)
    assert point.mu[1] == pytest.approx(100.0, rel=0.03)


def test_worked_example_w09_power_law_triode():
    # 41 µA·(Vp + 7 Vg)^1.41 at 250/-20 V (printed, H. C. Verma, Concepts of Physics):
    # 30.98 mA, 2.52 k, 2.78 mS, mu 7. A sharp corner and no grid current make the law that one.
    law = Triode(
        perveance=41e-6 * 7.0**1.41, mu=7.0, exponent=1.41, softness=0.0, grid_perveance=0.0, gate=1e-3
    )
    currents, slopes = law.evaluate(np.array([250.0, -20.0]))
    assert currents[0] == pytest.approx(30.98e-3, rel=1e-3)
    assert 1.0 / slopes[0, 0] == pytest.approx(2.52e3, rel=5e-3)
    assert slopes[0, 1] == pytest.approx(2.78e-3, rel=5e-3)
    assert slopes[0, 1] / slopes[0, 0] == pytest.approx(7.0, rel=1e-6)


def limits(maker_tube: str, quantity: str) -> tuple[float | None, float | None]:
    (row,) = (
        r
        for r in handbook("tube_spread_limits", maker_tube=maker_tube)
        if r.text("quantity").startswith(quantity)
    )
    return row["min"], row["max"]


def test_a_mean_tube_lies_within_what_a_maker_lets_through():
    # tube_spread_limits (printed, maker's data sheets of today's production).
    beam = tube("6V6GT").at(plate=250.0, screen=250.0, grid=-12.5)
    low, high = limits("6V6EH", "plate current")
    assert low < beam.plate_a * 1e3 < high
    assert beam.screen_a * 1e3 < limits("6V6EH", "screen current")[1]
    assert beam.gm * 1e3 > limits("6V6EH", "gm")[0]
    twin = tube("6SN7GT").at(plate=250.0, grid=np.array([-8.0, -18.0]))
    low, high = limits("6SN7EH", "plate current")
    assert low < twin.plate_a[0] * 1e3 < high
    low, high = limits("6SN7EH", "gm")
    assert low < twin.gm[0] * 1e3 < high
    assert twin.plate_a[1] * 1e6 < limits("6SN7EH", "Ia at -18 V")[1]

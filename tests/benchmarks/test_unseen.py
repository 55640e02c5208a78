"""A row that a fit did not see is met nearly as well as one that it saw."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.unseen import coverage, figures, summary
from tubekit.devices.published import rows_for
from tubekit.devices.tube_files import fit_plan, fitted_types
from tubekit.tables import handbook
from tubekit.textbook.accuracy import FIGURES, tube_checks


def test_unseen_rows_of_some_tubes_are_met() -> None:
    result = [f for type_ in ("6550", "12AT7") for f in figures(type_, every=2)]
    result += figures("6L6GC", every=6)
    off = np.array([abs(f.unseen) / f.tolerance for f in result if f.unseen is not None and f.sure])
    assert off.size >= 15
    assert np.mean(off <= 1.0) > 0.7
    assert np.median(off) < 0.6
    screens = [abs(f.unseen) for f in result if f.quantity == "idle_screen" and f.unseen is not None]
    assert max(screens) < 0.30, "a screen current that vanished would be off by all of it"
    assert len(summary(result)) == 3
    saved = {(check.row, check.figure): check.unseen for check in tube_checks(["6550"])}
    for f in result[:4]:
        key = (f.row, FIGURES.get(f.quantity, f.quantity))
        scale = 100.0 if f.quantity == "distortion" else 1.0
        assert f.unseen is None or saved[key] == pytest.approx(scale * f.unseen, abs=0.01), (
            "save again (--save)"
        )
    shares = {word: share for word, count, share in coverage(result).rows if count >= 8}
    assert shares
    assert min(shares.values()) >= 80.0, "a stated uncertainty that is too narrow"


def test_every_row_of_the_handbook_is_in_some_fit_or_shown_beside_it() -> None:
    labels = {row.label for type_ in fitted_types() for row in rows_for(fit_plan(type_))}
    known = {label.split()[0] for label in labels}
    for table in ("tubes_characteristics", "power_tube_operation", "rc_coupled"):
        for row in handbook(table):
            assert row.text("tube") in known, row.text("tube")

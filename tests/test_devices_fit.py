"""The fit: stored laws are what the fit gives, and the fit finds what made the data."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from tubekit.devices import Pentode, Triode, stages, tube, tube_files
from tubekit.devices.fit import fit_law, fit_tube, main
from tubekit.devices.published import Published, characteristics, rows_for
from tubekit.devices.tube_files import LINE, fit_plan, fitted_types, tube_path
from tubekit.errors import TableError


@pytest.mark.parametrize("type_", fitted_types())
def test_a_stored_law_is_what_the_fit_gives_again(type_):
    again, stored = fit_tube(type_), tube(type_)
    for name, value in stored.law.parameters().items():
        assert again.law.parameters()[name] == pytest.approx(value, rel=0.02, abs=0.02), name
    assert len(again.residuals) == len(stored.fit)
    for new, old in zip(again.residuals, stored.fit, strict=True):
        assert (new.row, new.quantity, new.status, new.source) == (
            old.row,
            old.quantity,
            old.status,
            old.source,
        )
        assert new.error == pytest.approx(old.error, abs=2e-3)


@pytest.mark.parametrize("type_", fitted_types())
def test_what_a_file_assumes_is_in_its_law_untouched(type_):
    law, assumed = tube(type_).law, tube(type_).assumed
    assert assumed
    for name, value in assumed.items():
        assert law.parameters()[name] == pytest.approx(value)


def test_the_fit_finds_the_law_that_made_the_rows():
    true = Triode(perveance=1.4e-3, mu=70.0, exponent=1.45, offset=0.4, softness=0.15, grid_perveance=1e-5)
    rows = []
    for plate, grid in ((100.0, -1.0), (200.0, -1.5), (250.0, -2.0), (300.0, -4.5)):
        values = stages.point(true, plate, grid)
        rows.append(
            Published("made up", values, lambda law, p=plate, g=grid: stages.point(law, p, g), "computed", "")
        )
    held = {n: true.parameters()[n] for n in ("grid_perveance", "grid_offset", "grid_softness", "gate")}
    found = fit_law(Triode, rows, held)
    for name, value in true.parameters().items():
        assert found.law.parameters()[name] == pytest.approx(value, rel=1e-3), name


def test_rows_kept_out_do_not_move_the_fit():
    plan = fit_plan("12AX7")
    rows = rows_for(plan)
    wrong = dataclasses.replace(rows[0], values={"plate": 1.0}, trust=0.0)
    with_it = fit_law(Triode, (*rows, wrong), plan.assumed)
    np.testing.assert_allclose(
        list(with_it.law.parameters().values()), list(fit_tube("12AX7").law.parameters().values()), rtol=1e-6
    )
    assert not with_it.residuals[-1].used


def test_a_row_that_contradicts_itself_is_listed():
    row = characteristics("12AX7")[0]
    assert row.conflict() == ""
    odd = dataclasses.replace(row, values=dict(row.values) | {"mu": 80.0})
    assert odd.conflict() == "12AX7 100 V, grid -1 V: gm·rp is 100, mu is 80"
    assert fit_law(Triode, (odd,), fit_plan("12AY7").assumed).conflicts == (odd.conflict(),)


def test_the_written_file_keeps_what_stood_above_the_line(tmp_path, monkeypatch):
    (tmp_path / "tubes").mkdir()
    copy = tmp_path / "tubes" / "12AY7.toml"
    shutil.copy(tube_path("12AY7"), copy)
    before = copy.read_text(encoding="utf-8")
    copy.write_text(before.split(LINE)[0], encoding="utf-8")
    monkeypatch.setattr(tube_files, "data_file", lambda *parts: Path(tmp_path, *parts))
    for cached in (tube_files.file_types, tube_files.tube_data):
        cached.cache_clear()
    try:
        main(["12AY7"])
        assert copy.read_text(encoding="utf-8") == before
    finally:
        for cached in (tube_files.file_types, tube_files.tube_data):
            cached.cache_clear()


def test_a_tube_without_rows_of_its_own_cannot_be_fitted():
    with pytest.raises(TableError, match=r"5Y3GT\.toml: fit: there is nothing to fit"):
        fit_tube("5Y3GT")
    with pytest.raises(TableError, match="nothing to fit"):
        fit_tube("6V6GTA")


def test_output_stages_agree_with_a_plain_sum_over_a_finely_stepped_cycle():
    law = tube("6V6GT").law
    assert isinstance(law, Pentode)
    found = stages.single_ended(law, 250.0, 250.0, -12.5, 5000.0)
    angle = np.linspace(0.0, 2.0 * np.pi, 2000, endpoint=False)
    grid = -12.5 + 12.5 * np.sin(angle)
    low, high = np.full(2000, -100.0), np.full(2000, 900.0)
    mean = found["plate_full"]
    for _ in range(60):  # bisection on the load line
        plate = 0.5 * (low + high)
        current = law.evaluate(np.stack([plate, np.full(2000, 250.0), grid], axis=-1))[0][:, 0]
        over = plate > 250.0 - 5000.0 * (current - mean)
        low, high = np.where(over, low, plate), np.where(over, plate, high)
    first = 2.0 * np.mean(current * np.sin(angle))
    assert found["power"] == pytest.approx(0.5 * 5000.0 * first**2, rel=2e-3)
    assert current.mean() == pytest.approx(mean, rel=2e-3)

"""The fit: stored laws are what the fit gives, and the fit finds what made the data."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.fit import LINE, FitProblem, conflict, fit_law, fit_type, kind_of, main
from tubekit.devices import Triode, tube, tube_files
from tubekit.devices.output_stage import At, answer
from tubekit.devices.published import Published, characteristics, residuals, rows_for
from tubekit.devices.tube_files import RANGES, fit_plan, fitted_types, tube_path
from tubekit.errors import TableError


@pytest.mark.parametrize("type_", fitted_types())
def test_a_stored_law_is_one_that_the_fit_does_not_leave(type_):
    stored = tube(type_)
    again = fit_type(type_, near=stored.law)
    for name, value in stored.law.parameters().items():
        assert again.law.parameters()[name] == pytest.approx(value, rel=0.03, abs=0.03), name
    assert again.usual == stored.usual
    assert again.at_bound == stored.at_bound
    assert len(again.residuals) == len(stored.fit)
    for new, old in zip(again.residuals, stored.fit, strict=True):
        text = (new.row, new.quantity, new.status, new.source, new.used)
        assert text == (old.row, old.quantity, old.status, old.source, old.used)
        assert new.error == pytest.approx(old.error, rel=2e-3, abs=2e-3)


@pytest.mark.parametrize("type_", ["12AX7", "6V6GT"])
def test_a_fit_from_nothing_finds_the_stored_law_again(type_):
    fresh, stored = fit_type(type_), tube(type_)
    for new, old in zip(fresh.residuals, stored.fit, strict=True):
        assert new.error == pytest.approx(old.error, rel=2e-3, abs=2e-3)


@pytest.mark.parametrize("type_", fitted_types())
def test_what_a_file_assumes_is_in_its_law_untouched(type_):
    law, assumed = tube(type_).law, tube(type_).assumed
    assert assumed
    for name, value in assumed.items():
        assert law.parameters()[name] == pytest.approx(value)


@pytest.mark.parametrize("type_", fitted_types())
def test_stored_laws_lie_within_the_ranges_of_their_kind(type_):
    law = tube(type_).law
    for name, value in law.parameters().items():
        if name in RANGES[type(law)] and name not in tube(type_).assumed:
            limits = RANGES[type(law)][name]
            assert limits.low * 0.999 <= value <= limits.high * 1.001, name


TRUE = Triode(
    perveance=1.4e-3, mu=70.0, exponent=1.45, offset=0.4, softness=0.15, unevenness=0.1, grid_perveance=1e-5
)
HELD = ("softness", "unevenness", "grid_perveance", "grid_offset", "grid_softness", "gate")


def made_up() -> list[Published]:
    volts = ((100.0, -1.0), (200.0, -1.5), (250.0, -2.0), (300.0, -4.0), (350.0, -3.0))
    points = [At(plate, grid) for plate, grid in volts]
    wanted = ("plate", "gm", "rp")
    return [
        Published("made up", {n: v for n, v in answer(TRUE, at).items() if n in wanted}, at, "computed", "")
        for at in points
    ]


def test_the_fit_finds_the_law_that_made_the_rows():
    rows = [dataclasses.replace(row, trust=100.0) for row in made_up()]  # drowns what is usual
    result = fit_law(Triode, rows, {name: TRUE.parameters()[name] for name in HELD})
    for name, value in TRUE.parameters().items():
        assert result.law.parameters()[name] == pytest.approx(value, rel=2e-3), name
    assert result.usual == ()
    assert result.at_bound == ()


def test_slopes_of_the_errors_are_those_of_one_sided_steps():
    plan = fit_plan("6V6GT")
    problem = FitProblem(kind_of(plan), rows_for(plan), plan.assumed)
    x = problem.start()
    slopes = problem.slopes(x)
    for k in range(x.size):
        step = np.zeros(x.size)
        step[k] = 1e-4
        ahead = (problem.errors(x + step) - problem.errors(x)) / 1e-4
        np.testing.assert_allclose(slopes[:, k], ahead, rtol=0.02, atol=0.02)


def test_many_laws_at_once_answer_like_each_alone():
    plan = fit_plan("6L6GC")
    problem = FitProblem(kind_of(plan), rows_for(plan), plan.assumed)
    x = problem.start() + 0.02 * np.random.default_rng(5).standard_normal((4, len(problem.free)))
    together = problem.errors(x)
    for each, errors in zip(x, together, strict=True):
        np.testing.assert_allclose(problem.errors(each), errors, rtol=1e-5, atol=1e-5)


def test_rows_kept_out_do_not_move_the_fit():
    plan = fit_plan("12AX7")
    rows = rows_for(plan)
    wrong = dataclasses.replace(rows[0], values={"plate": 1.0}, trust=0.0)
    with_it = fit_law(Triode, (*rows, wrong), plan.assumed)
    np.testing.assert_allclose(
        list(with_it.law.parameters().values()), list(fit_type("12AX7").law.parameters().values()), rtol=1e-6
    )
    assert not with_it.residuals[-1].used


def test_what_the_rows_leave_open_is_said():
    # One row of a triode says nothing about its corner at cut-off; many points do.
    assert "unevenness" in tube("12AY7").usual
    assert "unevenness" not in tube("6SL7GT").usual


def test_a_distortion_is_compared_in_points():
    row = characteristics("6V6GT")[0]
    (residual,) = residuals(tube("6V6GT").law, [dataclasses.replace(row, values={"plate": 0.045})])
    assert dataclasses.replace(
        residual, quantity="distortion", published=0.08, law=0.07
    ).error == pytest.approx(-0.01)


def test_a_row_that_contradicts_itself_is_listed():
    row = characteristics("12AX7")[0]
    assert conflict(row) == ""
    odd = dataclasses.replace(row, values=dict(row.values) | {"mu": 80.0})
    assert conflict(odd) == "12AX7 100 V, grid -1 V: gm·rp is 100, mu is 80"
    assert fit_law(Triode, (odd,), fit_plan("12AY7").assumed).conflicts == (conflict(odd),)


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
        fit_type("5Y3GT")
    with pytest.raises(TableError, match="nothing to fit"):
        fit_type("6V6GTA")

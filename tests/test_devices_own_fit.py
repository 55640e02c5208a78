"""A tube of one's own: points made from a known law give it back, and what they leave open is said."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

import tubekit
from tubekit.devices import Pentode, add_tube, catalogue, fit_tube, tube
from tubekit.devices.tube_fit import AT_BOUND, FITTED, OPEN, TubeFit
from tubekit.errors import InputError, TableError, UnknownTube
from tubekit.tables import handbook

NOISE = 0.01


def triode_points(type_: str = "6SN7GT", seed: int = 4, noise: float = NOISE) -> dict[str, np.ndarray]:
    plate, grid = (
        a.ravel() for a in np.meshgrid([50.0, 100, 150, 200, 250, 300], [0.0, -2, -4, -6, -8, -10, -12])
    )
    current = tube(type_).at(plate=plate, grid=grid).plate_a
    keep = (current > 2e-5) & (current < 25e-3)
    scatter = 1.0 + noise * np.random.default_rng(seed).standard_normal(int(keep.sum()))
    return {"plate_v": plate[keep], "grid_v": grid[keep], "plate_ma": 1e3 * current[keep] * scatter}


def pentode_points(screen_too: bool = True, seed: int = 5) -> dict[str, np.ndarray]:
    axes = np.meshgrid([15.0, 30, 60, 120, 250, 350], [150.0, 250], [0.0, -5, -10, -15, -20])
    plate, screen, grid = (a.ravel() for a in axes)
    point = tube("6V6GT").at(plate=plate, screen=screen, grid=grid)
    scatter = 1.0 + NOISE * np.random.default_rng(seed).standard_normal((2, plate.size))
    result = {
        "plate_v": plate,
        "screen_v": screen,
        "grid_v": grid,
        "plate_ma": 1e3 * point.plate_a * scatter[0],
    }
    return result | ({"screen_ma": 1e3 * point.screen_a * scatter[1]} if screen_too else {})


def parameter(fit: TubeFit, name: str):
    return next(p for p in fit.parameters if p.name == name)


def test_a_triode_comes_back_within_its_intervals():
    fit, true = fit_tube(triode_points(), kind="triode", name="shop"), tube("6SN7GT").law
    for name in ("mu", "exponent", "offset", "unevenness"):
        result = parameter(fit, name)
        assert result.state == FITTED
        assert result.low < result.value < result.high
    # The softness that made the points is not the assumed one: mu is met all the same.
    assert parameter(fit, "mu").value == pytest.approx(true.mu, rel=0.03)
    assert fit.rms_a < 2.0 * NOISE * 1e-3 * max(triode_points()["plate_ma"])
    point, own = (each.at(plate=250, grid=-8) for each in (tube("6SN7GT"), fit.tube))
    assert (own.plate_a, own.gm) == pytest.approx((point.plate_a, point.gm), rel=0.03)


def test_intervals_hold_the_truth_as_often_as_they_say():
    true = tube("12AX7").law.mu
    held = 0
    for seed in range(20):
        plate, grid = (a.ravel() for a in np.meshgrid([100.0, 150, 200, 250, 300], [-0.5, -1.0, -1.5, -2.0]))
        scatter = 1.0 + 0.02 * np.random.default_rng(seed).standard_normal(plate.size)
        current = tube("12AX7").at(plate=plate, grid=grid).plate_a * scatter
        fit = fit_tube({"plate_v": plate, "grid_v": grid, "plate_a": current}, like="12AX7")
        result = parameter(fit, "mu")
        held += result.low < true < result.high
    assert held >= 16  # 19 of 20 are expected


def test_a_pentode_comes_back_with_its_screen():
    fit, true = fit_tube(pentode_points(), like="6V6GT"), tube("6V6GT")
    assert isinstance(fit.tube.law, Pentode)
    assert fit.tube.kind == "beam tetrode"
    at = {"plate": 250, "screen": 250, "grid": -12.5}
    own, point = fit.tube.at(**at), true.at(**at)
    assert (own.plate_a, own.screen_a) == pytest.approx((point.plate_a, point.screen_a), rel=0.02)
    assert own.gm == pytest.approx(point.gm, rel=0.03)
    assert float(np.sqrt(np.mean(np.square(fit.screen_error_a)))) < 5e-4
    assert fit.tube.pins == true.pins
    assert fit.tube.ratings is true.ratings
    assert fit.tube.type == "own tube"


def test_without_screen_current_its_share_is_assumed():
    fit = fit_tube(pentode_points(screen_too=False), like="6V6GT")
    assert fit.screen_error_a is None
    assert parameter(fit, "share").state == "assumed"
    assert parameter(fit, "share").value == tube("6V6GT").law.share


def test_few_points_leave_most_as_it_is_in_the_tube_it_is_like():
    points = {name: values[::7] for name, values in triode_points().items()}
    fit = fit_tube(points, like="6SN7GT")
    assert "offset" in fit.left_open
    assert parameter(fit, "offset").state == OPEN
    assert parameter(fit, "offset").value == tube("6SN7GT").law.offset
    assert np.isnan(parameter(fit, "offset").low)
    assert set(fit.tube.usual) == set(fit.left_open)


def test_a_parameter_at_a_bound_is_named():
    # A "tube" whose current hardly falls with the grid: more mu than the law may have.
    plate, grid = (a.ravel() for a in np.meshgrid([100.0, 200, 300], [-0.1, -0.2, -0.3]))
    fit = fit_tube({"plate_v": plate, "grid_v": grid, "plate_a": 1e-3 + 1e-3 * (grid + 0.5)}, kind="triode")
    assert "mu" in fit.at_bound
    assert parameter(fit, "mu").state == AT_BOUND
    assert "At the end of its range: mu" in " ".join(str(fit).split())


def test_the_maker_chart_of_a_6sl7_fits_within_its_reading_error():
    # plate_curves_6SL7 (printed, read off a maker's chart to about 0.05 mA).
    rows = [row for row in handbook("plate_curves_6SL7") if row.number("Ip_mA") > 0]
    columns = {"plate_v": "Vp_V", "grid_v": "Vg_V", "plate_ma": "Ip_mA"}
    fit = fit_tube({own: [row.number(c) for row in rows] for own, c in columns.items()}, like="6SL7GT")
    assert fit.rms_a < 0.1e-3
    assert parameter(fit, "mu").low < 75
    assert parameter(fit, "mu").high > 65


def test_it_prints_and_has_a_json_form():
    fit = fit_tube(triode_points(), kind="triode", name="shop")
    text = str(fit)
    assert text.startswith("shop: a triode fitted to")
    assert "95 % intervals" in text
    assert "Worst points" in text
    assert "<table" in fit._repr_html_()
    data = json.loads(json.dumps(fit.to_json(), allow_nan=False))
    assert data["law"]["mu"] == pytest.approx(fit.tube.law.mu)
    assert len(data["plate_error_a"]) == data["points"] == fit.points.count
    assert {p["name"] for p in data["parameters"]} == set(fit.tube.law.parameters())


@pytest.fixture
def none_added():
    yield
    for cached in (catalogue._added, catalogue._types, catalogue._names, catalogue._spellings):
        cached.cache_clear()


def test_a_saved_tube_comes_back_and_works_in_an_amp(tmp_path, none_added):
    fit = fit_tube(pentode_points(), like="6V6GT", name="Shelf 6V6")
    path = fit.save(tmp_path / "shelf")
    assert path.name == "shelf.toml"
    assert [each.name for each in tmp_path.iterdir()] == ["shelf.toml"], "nothing half-written stays behind"
    added = add_tube(path)
    assert added.type == "Shelf 6V6"
    for name, value in fit.tube.law.parameters().items():
        assert added.law.parameters()[name] == pytest.approx(value, rel=1e-5)
    assert added.ratings.plate_w == 12.0
    assert added.capacitances == pytest.approx(dict(tube("6V6GT").capacitances))
    amp = tubekit.load_amp("teasel")
    swapped = tubekit.analyze(amp.changed({"V3": "Shelf 6V6"}))
    assert swapped.tube("V3").plate_a == pytest.approx(tubekit.analyze(amp).tube("V3").plate_a, rel=0.05)


def test_saving_never_overwrites_unasked(tmp_path):
    fit = fit_tube(triode_points(), kind="triode", name="shop")
    path = tmp_path / "shop.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="there is a file of this name already"):
        fit.save(path)
    assert path.read_text(encoding="utf-8") == "mine"
    fit.save(path, overwrite=True)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["type"] == "shop"
    with pytest.raises(InputError, match=r"cannot be written \(no such file"):
        fit.save(tmp_path / "no such folder" / "shop.toml")


def test_a_save_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    fit = fit_tube(triode_points(), kind="triode", name="shop")
    path = fit.save(tmp_path / "shop.toml")
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputError, match="no space left"):
        fit.save(path, overwrite=True)
    assert path.read_bytes() == before
    assert [each.name for each in tmp_path.iterdir()] == ["shop.toml"]


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        ({}, InputError, "kind: is missing. Choose one of triode, pentode, beam tetrode"),
        ({"kind": "triod"}, InputError, "a tube of kind 'triod' cannot be fitted.*Near: triode"),
        ({"kind": "pentode"}, InputError, "there is no column screen_v"),
        ({"like": "12AX8"}, UnknownTube, "Near: 12AX7"),
        ({"like": "5Y3GT"}, InputError, "a tube of kind 'rectifier' cannot be fitted"),
        ({"like": "6V6GT", "kind": "triode"}, InputError, "like: 6V6GT is a beam tetrode, not a triode"),
    ],
)
def test_a_kind_that_does_not_fit_is_refused(given, error, words):
    with pytest.raises(error, match=words):
        fit_tube(triode_points(), **given)


def test_exact_points_have_no_interval_of_zero_width():
    """Points on one grid voltage show no mu: it is held, and what is fitted has a width."""
    plate = np.linspace(100.0, 350.0, 6)
    measured = tube("12AX7").at(plate=plate, grid=np.full(6, -1.0)).plate_a
    fit = fit_tube({"plate_v": plate, "grid_v": [-1.0] * 6, "plate_a": measured}, like="12AX7")
    states = {each.name: each for each in fit.parameters}
    assert states["mu"].state == OPEN
    assert all(
        each.high - each.low > 1e-3 * abs(each.value) for each in fit.parameters if each.state == FITTED
    )


def test_points_that_cannot_give_a_law_are_refused(tmp_path):
    few = {name: values[:3] for name, values in triode_points().items()}
    with pytest.raises(InputError, match="has 3 distinct points"):
        fit_tube(few, kind="triode")
    same = {name: list(values[:3]) * 5 for name, values in triode_points().items()}
    with pytest.raises(InputError, match="has 3 distinct points"):
        fit_tube(same, kind="triode")
    dark = triode_points() | {"plate_ma": np.zeros(len(triode_points()["plate_v"]))}
    with pytest.raises(InputError, match="has 0 distinct points with current, too few"):
        fit_tube(dark, kind="triode")
    with pytest.raises(InputError, match="a triode has no screen"):
        fit_tube(pentode_points(), kind="triode")
    with pytest.raises(TableError, match="cannot be read"):
        fit_tube(tmp_path / "none.csv", kind="triode")


def test_a_system_of_an_unlike_bottle_can_be_the_model():
    assert fit_tube(triode_points("6SL7GT"), kind="triode", like="6BM8").tube.pins["plate"] == 9

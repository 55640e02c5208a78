"""Amps described by people who had not seen the code, against what they wrote down before the first run."""

from __future__ import annotations

import warnings
from functools import lru_cache
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest

from tests.benchmarks.commands import ODD
from tubekit import analyze, load_amp, plots
from tubekit.amp import AmpReport
from tubekit.amp.signal import signal_path
from tubekit.bench.readings import load_readings
from tubekit.decisions.judge import judge
from tubekit.plots.schematics import section_of
from tubekit.plots.schematics.sections import items_of

FOLDER = Path(__file__).parents[1] / "cold_amps"

BY_HAND: dict[str, dict[str, tuple[float, float]]] = {
    "whimbrel.csv": {
        "B1": (442, 6), "B2": (347, 6), "B3": (309, 6), "B4": (257, 6), "k1a": (1.2, 20), "k2a": (5.2, 10),
        "k2b": (10, 10), "k34": (58, 8),
    },
    "bittern.csv": {
        "B1": (437, 6), "B2": (432, 6), "BS": (300, 2), "vr_mid": (150, 2), "B3": (374, 10), "B4": (332, 10),
        "bias_1": (-59, 4), "bias_2": (-57.8, 4), "bias_set": (-26.9, 4), "k1a": (1.8, 20),
    },
    "fieldfare.csv": {
        "B1": (312, 6), "B2": (295, 6), "BS": (221, 6), "z1": (200, 3), "k2a": (3.7, 10), "k5": (12.9, 20),
    },
    "corran-brindle.toml": {
        "B1": (405, 6), "B3": (365, 6), "B5": (335, 6), "bias_raw": (-52, 6), "bias": (-40, 6),
        "k2a": (1.75, 10), "k3a": (31, 10), "k4": (0.033, 35),
    },
    "wexley-marram.toml": {
        "B1": (320, 6), "B2": (294, 6), "Z1": (200, 3), "k2b": (2.5, 10), "k4": (18.5, 10),
    },
    "bramwith-yarrow.toml": {
        "B1": (392, 6), "B2": (390, 6), "BF": (300, 2), "gc": (73, 6), "xc": (75, 6), "kd": (16.5, 20),
        "kout": (67, 10),
    },
}  # fmt: skip
"""DC volts to ground worked out by hand and how near they should be [%]; see the README beside the amps."""


@lru_cache(maxsize=6)
def report(name: str) -> AmpReport:
    return analyze(load_amp(FOLDER / name))


def test_every_amp_of_the_folder_is_compared() -> None:
    assert set(BY_HAND) == {path.name for path in FOLDER.iterdir()} - {"README.md"}


@pytest.mark.parametrize("name", BY_HAND)
def test_idle_volts_are_those_worked_out_by_hand(name: str) -> None:
    for node, (volts, percent) in BY_HAND[name].items():
        assert report(name).node(node).dc_v == pytest.approx(volts, rel=percent / 100), node


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("name", BY_HAND)
def test_a_bench_session_with_it_answers_without_a_warning(name: str) -> None:
    one = report(name)
    assert one.convergence.converged.all()
    for text in (str(one), str(signal_path(one.amp))):
        assert not ODD.search(text)
    rows = [
        {"place": node, "quantity": "DC volts", "value": f"{volts} V"}
        for node, (volts, _) in BY_HAND[name].items()
    ]
    judged = judge(load_readings(rows, one.amp), size=50)
    assert len(judged.verdicts) == len(rows)


@pytest.mark.parametrize("name", BY_HAND)
def test_every_part_of_it_is_on_a_sheet(name: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sheets = plots.schematic_pages(load_amp(FOLDER / name))
    drawn = "\n".join(map(str, sheets))
    for sheet in sheets:
        plt.close(sheet.figure)
    for part in load_amp(FOLDER / name).parts.values():
        assert any(one.name in drawn for one in part.symbols()), part.designator


def test_a_grid_with_nothing_at_it_offers_no_ohms() -> None:
    """2A3 on a transformer without a grid leak, and no capacitances known: rounding was told as 1e22 Ω."""
    path = signal_path(report("whimbrel.csv").amp)
    offered = {stage.section: stage.input_ohms for stage in path.stages}
    assert np.isnan(offered["V3"]).all()
    assert abs(offered["V2b"][0]) == pytest.approx(457e3, rel=0.02)  # 470 k leak and the Miller capacitance
    assert "V3, V4: nothing there draws signal current" in str(path)


def test_a_tremolo_that_pushes_the_pair_apart_is_called_so() -> None:
    """Its oscillator pulls on the rail of the first stages: what reaches the pair is signal, not bias."""
    apart, together = (report(name).stability.tremolo for name in ("bittern.csv", "corran-brindle.toml"))
    assert apart is not None
    assert together is not None
    assert (apart.antiphase, together.antiphase) == (True, False)
    assert "in antiphase, which the speaker gets as 6.53 Hz" in apart.words


def test_a_transformer_is_lettered_by_what_it_drives() -> None:
    """All three kinds are written as output transformers."""
    for name, driver in (("whimbrel.csv", "interstage"), ("fieldfare.csv", "reverb")):
        parts = load_amp(FOLDER / name).parts
        words = {item.name: item.words for item in items_of(parts) if item.kind.endswith("transformer")}
        assert sorted(words.values()) == sorted(["power", driver, "output"])


def test_a_cascode_is_one_stage_and_regulators_are_with_the_supply() -> None:
    """Each half of a cascode ended in a free wire; of two 0A2 in series one was drawn at an output tube."""
    cascode, stack = (load_amp(FOLDER / name) for name in ("fieldfare.csv", "bittern.csv"))
    assert "V1b V1a" in plots.schematic_sections(cascode)
    assert [section_of(stack, tube) for tube in ("V7", "V8")] == ["supply", "supply"]
    words = plots.schematic(cascode, "DL1").words
    assert "DL1 out 2.25 kΩ" in words
    assert "DL1 in 8 Ω" in plots.schematic(cascode, "T3").words

"""The cathode-bias panel: resistor, bypass, supply, tube and emission; idle current, heat, gain, shelf."""

from __future__ import annotations

from typing import Any

from tubekit.devices import Pentode, tube
from tubekit.panels.line_start import STAGES, driven_tubes, moves, start_for, usual_stage
from tubekit.panels.panel import Settings, StagePanel
from tubekit.panels.settings import ChoiceSetting, LevelSetting, SeriesSetting
from tubekit.plots.bias import BiasView
from tubekit.text import Table, headed
from tubekit.textbook.bias_stage import BiasStage, bias_stage

BYPASS_F, COUPLING_F = 25e-6, 22e-9


class CathodeBiasPanel(StagePanel[BiasStage]):
    """What `bias_stage` gives, with knobs on it."""

    NAME = "cathode bias"
    VIEW = BiasView

    def __init__(self, type_: str = "12AX7", stage: str = "") -> None:
        self._about = ("", "")
        knobs = (
            ChoiceSetting("tube", "tube", [(each, each) for each in driven_tubes()]),
            ChoiceSetting("stage", "stage", STAGES, "Choose the plate load"),
            SeriesSetting("cathode", "cathode", "ohm", 10, 1e5, tooltip="Cathode resistor"),
            ChoiceSetting("fitted", "bypass", (("installed", True), ("removed", False))),
            SeriesSetting("bypass", "bypass C", "F", 0.1e-6, 1e-3, series="E6", tooltip="Bypass capacitor"),
            LevelSetting("supply", "B+ (V)", 20, 600, 5, tooltip="Supply to ground"),
            LevelSetting("screen", "screen (V)", 20, 600, 5, tooltip="Screen supply to ground"),
            SeriesSetting("load", "load", "ohm", 100, 1e6, tooltip="Plate load; plate to plate for a pair"),
            SeriesSetting("next_grid", "next grid", "ohm", 1e4, 1e7, series="E12", tooltip="Next grid leak"),
            SeriesSetting("coupling", "coupling", "F", 1e-9, 1e-6, series="E6", tooltip="Coupling capacitor"),
            LevelSetting(
                "emission", "emission", 0.3, 1.2, 0.01, form=".2f", tooltip="Cathode emission: 1 is new"
            ),
        )
        super().__init__(knobs, _setting(type_, stage or usual_stage(type_)))

    def solve(self, settings: Settings) -> BiasStage:
        """The stage of a setting."""
        return bias_stage(**arguments(settings))

    def tables(self, now: BiasStage, before: BiasStage) -> list[Table]:
        """Idle state, gain and shelf, now and before."""
        return [table(now, before)]

    def name(self) -> str:
        """After the tube."""
        return f"{self.settings['tube']}-cathode-bias"

    def adapted(self, key: str, settings: Settings) -> Settings:
        """Another stage, or a tube that differs much, begins at an operating point of its own."""
        was, now = (self.settings["tube"], self.settings["stage"]), (settings["tube"], settings["stage"])
        if key == "stage":
            return _setting(*now)
        if key == "tube" and moves(was, (now[0], was[1])):
            return _setting(now[0], usual_stage(now[0]))
        return settings

    def suit(self, settings: Settings) -> None:
        """Only the knobs that do something, with bounds about the usual point of this tube and stage."""
        self.knobs["screen"].seen(isinstance(tube(settings["tube"]).law, Pentode))
        for key in ("next_grid", "coupling"):
            self.knobs[key].seen(settings["stage"] == "resistor")
        self.knobs["bypass"].seen(settings["fitted"])
        about = (settings["tube"], settings["stage"])
        if not moves(self._about, about):
            return
        self._about, start = about, _setting(*about)
        for key in ("supply", "screen"):
            self.knobs[key].bounds(0.4 * start[key], 1.6 * start[key], 5)
        for key in ("cathode", "load"):
            self.knobs[key].bounds(start[key] / 10, start[key] * 10)

    def other_scales(self, was: Settings, now: Settings) -> bool:
        """Another stage, or a tube that differs much."""
        return moves((was["tube"], was["stage"]), (now["tube"], now["stage"]))


def arguments(settings: Settings) -> dict[str, Any]:
    """What `bias_stage` is called with for a setting.

    Examples
    --------
    >>> arguments(CathodeBiasPanel("12AX7").settings)["cathode"]
    1500.0
    """
    pentode = isinstance(tube(settings["tube"]).law, Pentode)
    return {
        "type_": settings["tube"], "stage": settings["stage"], "supply": settings["supply"],
        "screen": settings["screen"] if pentode else None, "load": settings["load"],
        "cathode": settings["cathode"], "bypass_f": settings["bypass"] if settings["fitted"] else 0.0,
        "next_grid": settings["next_grid"], "coupling_f": settings["coupling"],
        "emission": settings["emission"],
    }  # fmt: skip


def _setting(type_: str, stage: str) -> dict[str, Any]:
    """The tube's usual point; with a transformer B+ is higher by the bias, as makers state plate volts."""
    start = start_for(type_, stage)
    lift = 0.0 if stage == "resistor" else -start.grid
    return {
        "tube": type_, "stage": stage, "cathode": start.cathode, "fitted": True, "bypass": BYPASS_F,
        "supply": float(round(start.plate + lift)), "screen": float(round(start.screen + lift)),
        "load": start.load, "next_grid": start.next_grid, "coupling": COUPLING_F, "emission": 1.0,
    }  # fmt: skip


def table(now: BiasStage, before: BiasStage) -> Table:
    """The numbers beside the figure."""
    old = before.cells()
    rows = [(name, cell, old.get(name, "")) for name, cell in now.cells().items()]
    columns = headed("", "now [] >", "before [] >")
    return Table("", columns, rows, "Currents and dissipation are per tube.")


def cathode_bias(tube: str = "12AX7", stage: str = "") -> CathodeBiasPanel:
    """The panel that answers 'does this cathode resistor hold the tube where it should be?'.

    Parameters
    ----------
    tube
        The type to begin with.
    stage
        'resistor', or 'single' or 'pair' on a transformer; the tube's usual one when not given.

    Returns
    -------
    CathodeBiasPanel
        Shows itself as the last line of a cell.

    Examples
    --------
    >>> panel = cathode_bias("12AX7")
    >>> panel.set(cathode=2700.0).bias_v > panel.before.bias_v
    True
    """
    return CathodeBiasPanel(tube, stage)

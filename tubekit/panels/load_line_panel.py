"""The load-line panel: tube, supply, load and bias; what the tube does between them."""

from __future__ import annotations

import math
from typing import Any

from tubekit.analyses.loadline import bare_stage, load_line as solve_line, section_law
from tubekit.analyses.loadline_result import LoadLine
from tubekit.analyses.regulation import SpeakerLoad
from tubekit.decisions.rating import state_of
from tubekit.devices import Pentode, tube
from tubekit.panels.line_start import STAGES, alike, driven_tubes, moves, start_for, usual_stage
from tubekit.panels.panel import Settings, StagePanel
from tubekit.panels.settings import ChoiceSetting, LevelSetting, SeriesSetting
from tubekit.plots.cycle import rounded_up
from tubekit.plots.load_line_view import LoadLineView
from tubekit.text import Table, headed
from tubekit.units import show


class LoadLinePanel(StagePanel[LoadLine]):
    """What `load_line` gives, with knobs on it.

    Drive is in percent of the bias at rest: at 100 % the grid just reaches the cathode's voltage there.
    """

    NAME = "load line"
    VIEW = LoadLineView

    def __init__(self, type_: str = "6V6GT", stage: str = "") -> None:
        start = _setting(type_, stage or usual_stage(type_))
        self._scales, self._about = _scales_for(start), ("", "")
        self._scaled: Settings = start
        knobs = (
            ChoiceSetting("tube", "tube", [(each, each) for each in driven_tubes()]),
            ChoiceSetting("stage", "stage", STAGES, "Choose the plate load"),
            LevelSetting("plate", "plate (V)", 20, 600, 5, tooltip="Plate to cathode at idle"),
            LevelSetting("supply", "B+ (V)", 20, 600, 5, tooltip="Supply to the plate resistor"),
            LevelSetting("screen", "screen (V)", 20, 600, 5, tooltip="Screen to cathode at idle"),
            ChoiceSetting("bias", "bias", (("fixed", "fixed"), ("cathode resistor", "cathode"))),
            LevelSetting("grid", "grid (V)", -60, -0.5, 0.1, form=".1f", tooltip="Grid to cathode at idle"),
            SeriesSetting("cathode", "cathode", "ohm", 10, 1e4, tooltip="Bypassed cathode resistor"),
            SeriesSetting("load", "load", "ohm", 100, 1e6, tooltip="Load; plate to plate for a pair"),
            SeriesSetting("next_grid", "next grid", "ohm", 1e4, 1e7, series="E12", tooltip="Next grid leak"),
            ChoiceSetting("kind", "load is", (("a resistor", "resistor"), ("a speaker", "loudspeaker"))),
            SeriesSetting(
                "frequency", "freq. (Hz)", "Hz", 20, 20e3, series="E12", tooltip="Signal frequency"
            ),
            LevelSetting("drive", "drive (%)", 5, 200, 1, tooltip="Peak grid signal, % of the idle bias"),
            LevelSetting(
                "emission", "emission", 0.3, 1.2, 0.01, form=".2f", tooltip="Cathode emission: 1 is new"
            ),
        )  # fmt: skip
        super().__init__(knobs, start)

    def solve(self, settings: Settings) -> LoadLine:
        """The load line of a setting, on the curves of this panel; another stage brings curves of its own."""
        moved = self.other_scales(self._scaled, settings)
        scales = _scales_for(settings) if moved else self._scales
        asked, (curves, axis) = arguments(settings), scales
        drive = 0.01 * settings["drive"] * bias_at_rest(asked)
        found = solve_line(**asked, drive=drive, curves=curves, plate_axis=axis)
        self._scales, self._scaled = scales, settings
        return found

    def other_scales(self, was: Settings, now: Settings) -> bool:
        """Another stage, or a tube that differs much."""
        return moves((was["tube"], was["stage"]), (now["tube"], now["stage"]))

    def rescale(self) -> None:
        """New scales and curves around the setting that is seen."""
        self._scales = _scales_for(self.settings)
        if not self.stale:
            same, self.result = self.before is self.result, self.solve(self.settings)
            self.before = self.result if same else self.before
        super().rescale()

    def adapted(self, key: str, settings: Settings) -> Settings:
        """Another stage, or a tube that differs much, begins at an operating point of its own."""
        if key not in ("tube", "stage"):
            return settings
        if key == "stage":
            return _setting(settings["tube"], settings["stage"])
        if alike(self.settings["tube"], settings["tube"]):
            return settings
        return _setting(settings["tube"], usual_stage(settings["tube"]))

    def suit(self, settings: Settings) -> None:
        """Only the knobs that do something."""
        fed, pentode = settings["stage"] == "resistor", isinstance(tube(settings["tube"]).law, Pentode)
        seen = {
            "plate": not fed, "supply": fed, "screen": pentode, "next_grid": fed, "kind": not fed,
            "grid": settings["bias"] == "fixed", "cathode": settings["bias"] == "cathode",
            "frequency": not fed and settings["kind"] == "loudspeaker",
        }  # fmt: skip
        for key, is_seen in seen.items():
            self.knobs[key].seen(is_seen)
        self._bounds(settings)

    def _bounds(self, settings: Settings) -> None:
        """Ends of the sliders about the usual point of this tube and stage; they stay while it stays."""
        about = (settings["tube"], settings["stage"])
        if not moves(self._about, about):
            return
        self._about, start = about, start_for(*about)
        for key, volts in (("plate", start.plate), ("supply", start.plate), ("screen", start.screen)):
            self.knobs[key].bounds(0.2 * volts, 1.8 * volts, 5)
        self.knobs["grid"].bounds(2.5 * start.grid, 0.1 * start.grid, 0.1 if start.grid < -4 else 0.02)
        self.knobs["load"].bounds(start.load / 10, start.load * 10)
        self.knobs["cathode"].bounds(start.cathode / 10, start.cathode * 10)

    def tables(self, now: LoadLine, before: LoadLine) -> list[Table]:
        """Class, power, rest, limits and every harmonic, now and before."""
        return tables(now, before)

    def name(self) -> str:
        """After the tube."""
        return f"{self.settings['tube']}-load-line"


def _setting(type_: str, stage: str) -> dict[str, Any]:
    start = start_for(type_, stage)
    return {
        "tube": type_, "stage": stage, "plate": start.plate, "supply": start.plate, "screen": start.screen,
        "bias": "cathode" if stage == "resistor" else "fixed", "grid": start.grid, "cathode": start.cathode,
        "load": start.load, "next_grid": start.next_grid, "kind": "resistor", "frequency": 1000.0,
        "drive": 100.0, "emission": 1.0,
    }  # fmt: skip


def arguments(settings: Settings) -> dict[str, Any]:
    """What `load_line` is called with for a setting, but the drive.

    Examples
    --------
    >>> arguments(LoadLinePanel("6V6GT").settings)["load"]
    5000.0
    """
    fed = settings["stage"] == "resistor"
    pentode = isinstance(tube(settings["tube"]).law, Pentode)
    fixed = settings["bias"] == "fixed"
    asked: dict[str, Any] = {
        "tube": settings["tube"], "load": settings["load"], "pair": settings["stage"] == "pair",
        "supply" if fed else "plate": settings["supply" if fed else "plate"],
        "grid" if fixed else "cathode": settings["grid" if fixed else "cathode"],
        "emission": settings["emission"],
    }  # fmt: skip
    if pentode:
        asked["screen"] = settings["screen"]
    if fed:
        asked["next_grid"] = settings["next_grid"]
    elif settings["kind"] == "loudspeaker":
        asked.update(speaker=SpeakerLoad(), frequency_hz=settings["frequency"])
    return asked


def bias_at_rest(asked: dict[str, Any]) -> float:
    """Bias at rest [V], above zero: of fixed bias as stated, of a cathode resistor as it comes out."""
    if "grid" in asked:
        return max(1e-3, -float(asked["grid"]))
    stage = bare_stage(
        section_law(asked["tube"], asked["emission"]), asked["tube"], asked["load"], asked.get("plate"),
        asked.get("supply"), asked.get("screen"), None, asked["cathode"], asked.get("next_grid"),
        asked["pair"], 0.0,
    )  # fmt: skip
    return max(1e-3, -stage.grid)


def _scales_for(settings: Settings) -> tuple[list[float], float]:
    """Nine grid voltages in round steps to about twice the bias [V], and the end of the plate axis [V]."""
    grid = start_for(settings["tube"], settings["stage"]).grid
    grid = settings["grid"] if settings["bias"] == "fixed" else grid
    step = 2.0 * abs(grid) / 8.0
    power = 10.0 ** math.floor(math.log10(step))
    step = power * min(
        (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0), key=lambda m: abs(m * power - step)
    )
    fed = settings["stage"] == "resistor"
    axis = 1.05 * settings["supply"] if fed else 2.1 * settings["plate"]
    return [0.0, *(-step * k for k in range(1, 9))], rounded_up(axis)


def tables(now: LoadLine, before: LoadLine) -> list[Table]:
    """The numbers beside the figure."""
    both = (now, before)
    rows = [
        ("power", *((each.power_w, "W") for each in both)),
        ("distortion", *((each.thd_pct, "%") for each in both)),
        ("class", *(each.operating_class for each in both)),
        ("idle", *((each.plate_a, "A") for each in both)),
        (
            "full drive, both" if now.stage.pair else "full drive",
            *((each.full_plate_a, "A") for each in both),
        ),
        ("plate", *((each.plate_v, "V") for each in both)),
        ("swings", *(f"{each.swing_v[0]:.0f} to {each.swing_v[1]:.0f} V" for each in both)),
        ("bias", *((each.grid_v, "V") for each in both)),
        ("dissipation, idle", *(_watts(each, each.plate_v * each.plate_a) for each in both)),
        ("dissipation, driven", *(_watts(each, each.full_plate_w) for each in both)),
        ("peak drive", *((each.drive, "V") for each in both)),
        ("clips at", *(f"{each.limits.clipping[0]:.3g} V" for each in both)),
        ("by", *(each.limits.clipping[1] for each in both)),
    ]
    columns = headed("", "now [] >", "before [] >")
    note = "Currents and dissipation are per plate."
    return [Table("", columns, rows, note)]


def _watts(line: LoadLine, watts: float) -> str:
    state = state_of(watts / line.plate_w_limit)
    return f"{show(watts, 'W')}{'' if state == 'within' else f' {state.upper()}'}"


def load_line(tube: str = "6V6GT", stage: str = "") -> LoadLinePanel:
    """The panel that answers 'which load, which bias?'.

    Parameters
    ----------
    tube
        The type to begin with.
    stage
        'single', 'pair' (both on a transformer) or 'resistor'; the tube's usual one when not given.

    Returns
    -------
    LoadLinePanel
        Shows itself as the last line of a cell.

    Examples
    --------
    >>> panel = load_line("6V6GT")
    >>> panel.set(load=8000.0).load
    8000.0
    """
    return LoadLinePanel(tube, stage)

"""What a hand does on a figure reaches the setting it means: each handle of each panel, in plain Python."""

from __future__ import annotations

import gc
import math
import weakref
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from matplotlib.text import Text

from tests.amps import amp
from tubekit.amp import Amp, report
from tubekit.amp.signal_view import idle_signal
from tubekit.panels.cathode_bias_panel import CathodeBiasPanel
from tubekit.panels.figure_widget import FigureWidget, Reach
from tubekit.panels.hum_panel import HumPanel
from tubekit.panels.load_line_panel import LoadLinePanel
from tubekit.panels.panel import FigurePanel
from tubekit.panels.part_swap_panel import PartSwap
from tubekit.panels.supply_panel import SupplyPanel
from tubekit.panels.tone_panel import TonePanel


class QuietHum(HumPanel):
    """Without the advice on what to change first, which takes seconds and has no handle."""

    def _advise(self) -> None:
        return


PANELS: dict[str, Callable[[], FigurePanel[Any]]] = {
    "single": lambda: LoadLinePanel("6V6GT"),
    "pair": lambda: LoadLinePanel("6V6GT", "pair"),
    "resistor": lambda: LoadLinePanel("12AX7"),
    "bias": lambda: CathodeBiasPanel("12AX7"),
    "swap": lambda: PartSwap(amp("teasel")),
    "supply": lambda: SupplyPanel(amp("teasel")),
    "tone": lambda: TonePanel(amp("teasel")),
    "hum": lambda: QuietHum(amp("fescue")),
}
MOVES = {
    "single": {
        "idle point": ("plate", "grid"), "load line, upper end": ("load",), "load line, lower end": ("load",),
    },
    "pair": {"idle point": ("plate", "grid"), "load line, upper end": ("load",)},
    "resistor": {
        "idle point": ("cathode",), "load line, end at 0 V": ("load",), "load line, end at 0 mA": ("supply",),
    },
    "bias": {
        "idle point": ("cathode",), "corner of the bypass": ("bypass",),
        "corner of the coupling": ("coupling",),
    },
    "swap": {f"ripple of B{k}": (f"C{13 + k}",) for k in range(1, 5)},
    "supply": {"ripple of B1": ("reservoir",)},
    "tone": {"volume": ("R31.position",), "bass": ("R32.position",), "treble": ("R33.position",)},
    "hum": {"hum balance": ("R54.position",)},
}  # fmt: skip
"""Every handle, and the settings it moves: the first one across where there are two."""
FINGER = 0.02
"""As near as that a handle comes to the finger, in shares of the picture."""


def test_a_panel_that_nobody_uses_takes_no_memory() -> None:
    """Its script is one text for all: what follows a file for changes keeps every panel ever opened."""
    panel = weakref.ref(PANELS["bias"]())
    gc.collect()
    assert panel() is None


@pytest.fixture(scope="module", params=MOVES)
def one(request: pytest.FixtureRequest) -> tuple[str, FigurePanel[Any]]:
    """A panel, as the test before left it."""
    return request.param, PANELS[request.param]()


def asked(panel: FigurePanel[Any]) -> dict[str, Any]:
    """What the controls are set to."""
    return dict(panel.settings if hasattr(panel, "settings") else panel.trial.plan.changes)


def do(figure: FigureWidget[Any], act: str, **more: Any) -> None:
    """The hand, as the browser tells of it."""
    figure.hand = {"act": act, "turn": object.__hash__(more), "gesture": act, **more}


def handle(figure: FigureWidget[Any], name: str) -> dict[str, Any]:
    return next(each for each in figure.handles if each["name"] == name)


def test_every_handle_moves_its_own_setting_and_follows_the_finger(one: tuple[str, FigurePanel[Any]]) -> None:
    name, panel = one
    figure = panel.figure
    assert {each["name"] for each in figure.handles} == MOVES[name].keys()
    for grip, keys in MOVES[name].items():
        panel.reset()
        before, (x, y) = asked(panel), handle(figure, grip)["at"]
        words = handle(figure, grip)["words"]
        finger = [x + 0.04, y + (0.012 if name == "swap" else 0.03)]  # its crests are low
        for _ in range(3):  # a hand that rests is heard more than once
            do(figure, "drag", name=grip, at=finger)
        moved = {key for key, value in asked(panel).items() if before.get(key) != value}
        assert moved == set(keys), grip
        assert handle(figure, grip)["words"] != words
        near = np.abs(np.subtract(handle(figure, grip)["at"], finger))
        assert near.min() < FINGER if len(keys) == 1 else near.max() < FINGER, grip
        panel.undo()  # the whole drag is one step
        assert all(asked(panel).get(key) == before.get(key) for key in keys), grip
    panel.reset()


def test_two_settings_that_one_hand_moves_are_answered_once(monkeypatch: pytest.MonkeyPatch) -> None:
    panel, asked_for = LoadLinePanel("6V6GT"), []
    solve = panel.solve
    monkeypatch.setattr(panel, "solve", lambda settings: asked_for.append(settings) or solve(settings))
    x, y = handle(panel.figure, "idle point")["at"]
    do(panel.figure, "drag", name="idle point", at=[x + 0.04, y + 0.03])
    assert len(asked_for) == 1
    assert {key for key, value in asked_for[0].items() if panel.first[key] != value} == {"plate", "grid"}


@pytest.mark.parametrize("make", [PartSwap, TonePanel], ids=["swap", "tone"])
def test_a_move_solves_no_amp_for_its_warning(
    make: Callable[..., FigurePanel[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether it oscillates is in the answer; the amp was solved once more for it."""
    panel = make(amp("teasel"))
    monkeypatch.setattr(Amp, "idle_dangers", property(lambda _: pytest.fail("solved once more")))
    panel.handled(Reach("C14" if make is PartSwap else "R33.position", steps=1))
    assert asked(panel)


@pytest.mark.parametrize(("make", "key"), [(PartSwap, "C14"), (SupplyPanel, "reservoir")])
def test_a_picture_waits_for_nothing_that_only_words_need(
    make: Callable[..., FigurePanel[Any]], key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether the amp oscillates and what its stages gain took a third of a move."""
    panel = make(amp("teasel"))
    words: list[Callable[[], None]] = []
    asked_for: list[object] = []
    monkeypatch.setattr(panel, "debouncer", words.append)
    monkeypatch.setattr(report, "idle_signal", lambda solved: asked_for.append(solved) or idle_signal(solved))
    picture = panel.figure.value
    panel.handled(Reach(key, steps=1))
    assert panel.figure.value != picture
    assert asked_for == []
    words[-1]()
    assert len(asked_for) == 1


def test_arrow_keys_go_one_step_and_the_picture_follows_their_sense(
    one: tuple[str, FigurePanel[Any]],
) -> None:
    name, panel = one
    grip, keys = next(iter(MOVES[name].items()))
    panel.reset()
    before, (x, y), picture = asked(panel), handle(panel.figure, grip)["at"], panel.figure.value
    do(panel.figure, "step", name=grip, across=0, up=1)
    now = handle(panel.figure, grip)["at"]
    assert now[1] < y or now[0] != x, "up is up"
    assert panel.figure.value != picture
    do(panel.figure, "step", name=grip, across=0, up=0)  # a total: one step back
    setting = panel.hold(keys[-1], take=True)
    assert setting is not None
    first = before.get(keys[-1])
    if (
        first is not None and setting.nearest(first) == first
    ):  # from between two steps a step back is to the next
        assert asked(panel)[keys[-1]] == first
    panel.reset()


def test_a_touch_names_what_is_there(one: tuple[str, FigurePanel[Any]]) -> None:
    name, panel = one
    panel.reset()
    figure = panel.figure
    at = next(iter(figure.handles))["at"]
    do(figure, "touch", at=at)
    rail = "B1  334.7 V, 18.1 V p-p"
    wanted = {
        "single": "load line, 5.00 kΩ: 250 V, 44.8 mA", "pair": "path of the signal: 250 V, 34",
        "resistor": "V, 0.8", "bias": "tube: 1.32 V, 0.88 mA", "swap": rail, "supply": rail,
        "tone": "gain: ", "hum": "hum: 50 % of the turn, -",
    }[name]  # fmt: skip
    assert wanted in figure.said["words"]
    do(figure, "touch", at=[0.999, 0.999])
    assert figure.said["words"] == ""


def test_zoom_keeps_the_place_under_the_finger_and_has_a_way_back(one: tuple[str, FigurePanel[Any]]) -> None:
    name, panel = one
    figure, place = panel.figure, 2 if one[0] == "hum" else 0
    axes = figure.view.axes[place]
    whole = axes.get_xlim(), axes.get_ylim()
    box = axes.bbox
    point = (box.x0 + 0.25 * box.width, box.y0 + 0.75 * box.height)
    wide, high = figure.figure.bbox.size
    under = axes.transData.inverted().transform(point)
    do(figure, "look", at=[point[0] / wide, 1.0 - point[1] / high], zoom=math.log(2.0), across=0.0, up=0.0)
    assert figure.zoomed, name
    assert axes.transData.transform(under) == pytest.approx(point)
    do(figure, "look", at=None, zoom=math.log(2.0), across=9.0, up=9.0)  # as far as the whole reaches
    assert axes.get_xlim()[0] == pytest.approx(whole[0][0])
    do(figure, "whole")
    assert not figure.zoomed
    assert (axes.get_xlim(), axes.get_ylim()) == whole
    do(figure, "look", at=None, zoom=0.0, across=0.0, up=0.0)  # further out than the whole there is nothing
    assert not figure.zoomed


def test_the_picture_is_as_fine_as_the_screen_and_says_what_it_shows() -> None:
    panel = CathodeBiasPanel("12AX7")
    small = panel.figure.pixels().shape
    at = [each["at"] for each in panel.figure.handles]
    panel.figure.sharp = 2.0
    assert panel.figure.pixels().shape == (2 * small[0], 2 * small[1], 3)
    assert np.allclose([each["at"] for each in panel.figure.handles], at, atol=2e-3)
    assert "1.32 V of bias" in panel.figure.alt


CHANGED: dict[str, dict[str, Any]] = {
    "hum": {"changes": {"R54.position": 0.7}}, "tone": {"changes": {"C2": "4n7"}},
    "swap": {"changes": {"C14": "10u"}}, "bias": {"cathode": 1000.0}, "single": {"load": 8000.0},
    "supply": {"reservoir": 47e-6},
}  # fmt: skip


@pytest.mark.painted
@pytest.mark.parametrize("name", CHANGED)
def test_words_over_the_figure_cross_no_others(name: str) -> None:
    panel: Any = PANELS[name]()
    panel.set(**CHANGED[name])
    over = panel.figure.above
    seen = [each for each in panel.figure.figure.findobj(Text) if each.get_text() and each.get_visible()]
    box = over.get_window_extent()
    assert over.get_text()
    assert [each.get_text() for each in seen if each.get_window_extent().overlaps(box)] == [over.get_text()]

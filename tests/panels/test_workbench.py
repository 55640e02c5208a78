"""What a hand chose last is there on the page that is opened next."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.amps import FILES
from tubekit import panels
from tubekit.panels import workbench
from tubekit.setup.lab import WORKBENCH


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(WORKBENCH, str(tmp_path / "kept.json"))
    monkeypatch.setattr(workbench, "by_hand", lambda: True)
    return tmp_path / "kept.json"


def test_amp_and_line_voltage_carry_over(kept: Path) -> None:
    first = panels.start()
    assert first.amp.name == "vetch"
    first.amps.value = "teasel"
    first.line.slider.value = 121.0
    swap, supply = panels.part_swap(), panels.supply()
    assert float(supply.result.amp.mains_rms) == 121.0
    assert (swap.amp.name, float(swap.amp.mains_rms), swap.caption()) == ("teasel", 121.0, "121 V line")
    assert swap.amps.label == "Ottermere Teasel  (demo)"
    swap.reset()
    assert float(swap.amp.mains_rms) == 117.0
    swap.amps.value = "fescue"
    assert panels.start().line.value == 117.0
    assert panels.substitutes(part="C999").settings["part"] in panels.start().amp.parts


def test_an_amp_without_what_the_panel_needs_is_named_below_the_list(kept: Path) -> None:
    workbench.lay_down("amp", str(FILES / "no-transformer.toml"))
    panel = panels.supply()
    assert panel.result.amp.name == "teasel"
    assert "no rectifier tube" in panel.amp_list.complaint.value


def test_what_a_program_sets_is_not_kept(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbench, "by_hand", lambda: False)
    panels.start("teasel").amps.value = "fescue"
    assert not kept.exists()
    monkeypatch.delenv(WORKBENCH)
    monkeypatch.setattr(workbench, "by_hand", lambda: True)
    panels.start("teasel").amps.value = "fescue"
    assert not kept.exists()


def test_a_damaged_note_is_no_note(kept: Path) -> None:
    kept.write_text("[1", encoding="utf-8")
    assert panels.start().amp.name == "vetch"


@pytest.mark.parametrize("make", [panels.cable, panels.supply], ids=["hidden controls", "refused"])
def test_the_list_of_amps_stays_for_an_amp_without_what_the_panel_needs(make: Callable[..., Any]) -> None:
    panel = make("fescue")
    amps = panel.amp_list.choice
    amps.options = [*amps.options, ("bare", str(FILES / "line-preamp.toml"))]
    amps.value = str(FILES / "line-preamp.toml")
    way = _down_to(panel, amps)
    assert way
    assert all(each.layout.display != "none" for each in way)


def _down_to(widget: Any, wanted: Any) -> list[Any]:
    """The widget and what it is in, [] where it is not there."""
    if widget is wanted:
        return [widget]
    found = next(filter(None, (_down_to(child, wanted) for child in getattr(widget, "children", ()))), [])
    return found and [widget, *found]

"""The hum panel against `hum`, `hum_report` and `hum_balance` called directly."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amp.signal_amps import with_feedback
from tubekit.amp import load_amp
from tubekit.amp.hum import hum as alone
from tubekit.amp.hum_balance import balance_control, hum_balance
from tubekit.decisions.hum_remedies import hum_report
from tubekit.errors import SolveError
from tubekit.panels.background import Debouncer
from tubekit.panels.hum_panel import HumPanel, hum, tables
from tubekit.plots.hum_view import sources


@pytest.fixture
def panel() -> HumPanel:
    return hum("teasel")


def agrees(
    panel: HumPanel, changes: dict[str, object], amp: str = "teasel", mains: float | None = None
) -> None:
    """Bars and numbers are those of the hum worked out on its own."""
    wanted = alone(load_amp(amp).changed(changes, mains_rms=mains))
    assert_allclose(panel.result.hum.total_rms, wanted.total_rms, rtol=2e-3)
    view = panel.figure.view
    rows = sources(wanted)
    for row, source in enumerate(rows, 1):
        assert view.names[row].get_text() == source.name
        if source.volts > view.floor:
            assert view.bars[row].get_width() + view.floor == pytest.approx(source.volts, rel=0.01)
    assert [each.volts for each in rows] == sorted((each.volts for each in rows), reverse=True)
    (table,) = tables(panel.result.hum, panel.before.hum)
    assert table.html() in panel.numbers.value


def test_sliders_give_what_hum_gives(panel: HumPanel) -> None:
    agrees(panel, {})
    assert panel.part == "C14"  # filter capacitors first
    panel.control("C14").slider.value -= 3
    farads = panel.trial.after.parts["C14"].farads
    agrees(panel, {"C14": farads})
    panel.control("mains").slider.value = 123.0
    agrees(panel, {"C14": farads}, mains=123.0)
    panel.part = "V3"
    panel.control("V3.emission").slider.value = 0.7
    agrees(panel, {"C14": farads, "V3.emission": 0.7}, mains=123.0)


def test_which_part_first_is_that_of_hum_report(panel: HumPanel) -> None:
    panel.set({"V3.emission": 0.7})
    wanted = hum_report(load_amp("teasel").changed({"V3.emission": 0.7}))
    assert wanted.first is not None
    assert f"Best fix: {wanted.first.what}" in panel.advice.value
    panel.details.selected_index = 0
    assert "Hum by path" in panel.opened.value


def test_the_null_is_that_of_hum_balance() -> None:
    panel = hum("fescue")
    assert balance_control(panel.amp) == "R54"
    panel.control("R54.position").slider.value = 0.3
    agrees(panel, {"R54.position": 0.3}, "fescue")
    view = panel.figure.view
    assert view.here.get_xdata() == [30.0]
    wanted = hum_balance(load_amp("fescue"), unbalance=0.1, positions=np.linspace(0, 1, 9))
    assert panel.balance is not None
    assert panel.balance.null == pytest.approx(wanted.null, abs=1e-6)
    # The drawn curve goes through what was solved, and the ring lies on it.
    travel, level = view.whole.get_xdata(), view.whole.get_ydata()
    solved = wanted.hum.db(wanted.total_v)
    assert "least at" in view.label.get_text()
    assert_allclose(np.interp(100 * wanted.positions, travel, level), solved, atol=0.05)
    assert np.interp(30.0, travel, level) == pytest.approx(view.here.get_ydata()[0], abs=0.1)
    panel.set({"C21": "60u"})  # other parts: another curve
    assert panel.balance.amp is panel.trial.after


def test_an_amp_without_a_balance_has_no_null(panel: HumPanel) -> None:
    assert balance_control(panel.amp) is None
    assert len(panel.figure.view.axes) == 2


def test_diamonds_where_the_hum_was(panel: HumPanel) -> None:
    was = float(panel.result.hum.total_rms[0])
    panel.set({"C14": "5u"})
    assert panel.figure.view.marks[0].get_xdata() == pytest.approx([was])
    panel.buttons["keep"].click()
    assert len(panel.figure.view.marks[0].get_xdata()) == 0


def test_hum_of_an_amp_that_oscillates_cannot_be_told() -> None:
    panel = hum(with_feedback())
    good = panel.result
    with pytest.raises(SolveError, match="squeals or blocks"):
        panel.set({"T2.secondary.nodes": ["speaker", "ground"]})
    assert panel.result is good
    assert "squeals or blocks" in panel.notice.value
    panel.buttons["undo"].click()
    assert panel.notice.value == ""


def test_work_waits_until_the_hand_rests() -> None:
    done: list[str] = []
    later = Debouncer(0.01)

    async def moves() -> None:
        for each in ("first", "second", "third"):
            later(lambda each=each: done.append(each))
        assert not done
        await asyncio.sleep(0.1)
        later(lambda: done.append("forgotten"))
        later.forget()
        await asyncio.sleep(0.05)

    asyncio.run(moves())
    assert done == ["third"]
    later(lambda: done.append("at once"))  # no event loop: at once
    assert done[-1] == "at once"

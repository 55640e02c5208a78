"""The listening panel against `listen` called directly; Stop keeps what is done."""

from __future__ import annotations

import asyncio
import io

import numpy as np
import pytest
import scipy
from numpy.testing import assert_allclose

from tubekit.amp import load_amp
from tubekit.decisions.listen import listen as alone, signal
from tubekit.decisions.specs import specs
from tubekit.panels.listen_panel import SHOWN_HZ, ListenPanel, listen
from tubekit.plots.listen_view import curves


@pytest.fixture
def panel() -> ListenPanel:
    panel = listen("vetch")
    panel.seconds.put(0.2)
    return panel


def test_the_panel_plays_what_listen_plays_at_one_level(panel: ListenPanel) -> None:
    panel.set({"V2.emission": 0.6})
    heard = panel.hear()
    wanted = alone(load_amp("vetch"), {"V2.emission": 0.6}, signal(seconds=0.2))
    assert wanted.before is not None
    assert_allclose(heard.after.volts, wanted.after.volts, atol=1e-6)
    assert panel.player.names == ["before", "after"]
    files = [scipy.io.wavfile.read(io.BytesIO(each))[1] / 32767.0 for each in panel.player.sounds]
    assert np.std(files[0]) == pytest.approx(np.std(files[1]), rel=0.02)
    assert wanted.headline() in panel.numbers.value
    row = panel.player.meters[0]
    assert row["words"] == "V2 plate, mA"
    shown = [float(each[-1]) for each in row["values"]]
    assert shown[0] > shown[1]  # a weak tube draws less
    assert len(row["values"][0]) == pytest.approx(0.2 * SHOWN_HZ, abs=1)
    lines = panel.figure.view.after[0][0], panel.figure.view.before[0][0]
    for line, one in zip(lines, (heard.after, heard.before), strict=True):
        assert_allclose(line.get_ydata(), curves(one)[0][0][2])


def test_what_was_heard_goes_with_the_setting(panel: ListenPanel, monkeypatch: pytest.MonkeyPatch) -> None:
    played = []
    from tubekit.panels import listen_panel

    known = listen_panel.play_all
    monkeypatch.setattr(
        listen_panel, "play_all", lambda amps, *a, **k: played.append([*amps]) or known(amps, *a, **k)
    )
    panel.hear()
    assert panel.player.names == ["sound"]
    panel.set({"V2.emission": 0.6})
    assert (panel.listening, panel.player.names) == (None, [])
    panel.hear()
    assert played == [["before"], ["after"]]  # the amp as it was is not played again
    panel.level.move(0.01)
    assert panel.player.names == []
    panel.play()
    assert panel.player.names == ["before", "after"]
    assert panel.listening is not None
    assert panel.listening.signal.level_v == 0.01


def test_stop_keeps_what_is_done_of_both(panel: ListenPanel) -> None:
    panel.seconds.put(10.0)
    panel.set({"V2.emission": 0.6})

    async def stopped() -> None:
        panel.play()
        assert panel.begin_button.disabled
        while "Calculating" not in panel.state.value:  # noqa: ASYNC110 - as one who looks on
            await asyncio.sleep(0.02)
        panel.stop_button.click()
        while panel.task.busy:  # noqa: ASYNC110 - as above
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.2)  # the words come when the hand rests

    asyncio.run(stopped())
    assert panel.listening is not None
    lengths = [len(each.volts) / 48_000 for each in panel.listening.both]
    assert all(0.0 < each < 9.0 for each in lengths)
    assert abs(lengths[0] - lengths[1]) < 1.0
    assert panel.player.seconds == pytest.approx(min(lengths))


def test_the_spec_sheet_is_that_of_the_command_and_goes_with_the_setting(panel: ListenPanel) -> None:
    panel.set({"C2": "open"})

    async def specified() -> None:
        panel.specs_button.click()
        while panel.task.busy:  # noqa: ASYNC110 - as one who looks on
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.2)  # the words come when the hand rests

    asyncio.run(specified())
    wanted = specs(load_amp("vetch"), {"C2": "open"})
    assert panel.specs is not None
    assert panel.specs.headline() == wanted.headline()
    assert "No signal gets to LS1" in panel.numbers.value
    assert wanted.table("figures").html() in panel.numbers.value
    panel.reset()
    assert panel.specs is None


def test_a_tube_far_over_its_rating_is_a_danger_above_the_list(panel: ListenPanel) -> None:
    panel.set({"R9": "short", "V2.emission": 2.0})
    assert "Do not power up. V2" in panel.amp_list.danger.value
    panel.reset()
    assert "Do not power up" not in panel.amp_list.danger.value


def test_a_signal_that_cannot_be_is_refused(panel: ListenPanel) -> None:
    panel.what.put("gone.wav")
    panel.play()
    assert "no such file" in panel.what.complaint.value
    assert panel.listening is None


def test_fine_steps_are_taken_where_clipping_needs_them(panel: ListenPanel) -> None:
    panel.what.put("sine")
    panel.level.put(0.3)
    usual = panel.hear().after
    assert "Fine steps" in panel.numbers.value
    panel.steps.choice.value = "fine"
    assert panel.listening is None
    fine = panel.hear().after
    assert fine.played.rate_hz > usual.played.rate_hz
    assert fine.step_error_db < -60.0 < usual.step_error_db

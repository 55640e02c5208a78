"""The bias of output tubes: watts without the screen's share, both rules, a remedy that holds."""

from __future__ import annotations

import re

import pytest

from tests.amps import amp, solved
from tubekit import analyze
from tubekit.cli import main
from tubekit.cli.short_answer import short_answer
from tubekit.decisions.bias import bias_report
from tubekit.errors import ChangeError


def test_plate_watts_leave_out_the_screen_and_limits_are_ohms_law() -> None:
    """Plate volts times plate current; 70 % and 100 % of 12 W (6V6GT, as the catalog has it)."""
    one = bias_report(amp("teasel")).tubes[0]
    reading = solved("teasel").tube("V3")
    assert one.plate_w == pytest.approx(reading.plate_v * (reading.cathode_a - reading.screen_a), rel=1e-3)
    assert one.plate_v * one.fixed_a == pytest.approx(0.7 * 12.0)
    assert one.plate_v * one.cathode_a == pytest.approx(12.0)


def test_hot_tube_gets_a_resistor_that_cools_it() -> None:
    hot = amp("teasel").changed({"R14": "100"})
    verdict = bias_report(hot).verdict
    ohms = re.match(r"Change it because V[34] dissipates 1\d\d % of its rating: R14 (\d+)", verdict)
    assert ohms, verdict
    assert bias_report(hot.changed({"R14": ohms[1]})).verdict == "Leave it."


def test_fixed_bias_gets_the_resistor_and_the_volts_that_cool_it() -> None:
    """The value named is put in: the stage then passes, and the grid reads the volts named."""
    hot = amp("reverb-tremolo")
    answer = bias_report(hot)
    found = re.search(r": (R\d+) (\S+) k?Ω \(V6 grid at −(\S+) V\)", answer.verdict.replace("-", "−"))
    assert found, answer.verdict
    assert not any("cathode" in each.what for each in answer.effects)
    cured = hot.changed({found[1]: f"{found[2]}k"})
    after = analyze(cured)
    assert max(after.tube(name).plate_w for name in ("V6", "V7")) <= 0.7 * 12.0
    assert after.solved.state.mean(cured.parts["V6"].sections[0].grid) == pytest.approx(
        -float(found[3]), rel=0.01
    )


def test_a_bias_pot_is_named_where_it_does_and_where_it_does_not() -> None:
    """R44 adjusts this head's bias by little; with a hotter R45 it is enough, and is set first."""
    cold = bias_report(amp("fixed-bias-head")).verdict
    assert re.search(r"R45 \S+ kΩ \(V4 grid at -\S+ V\) \(R44 alone reaches 29 %\)", cold), cold
    one = amp("fixed-bias-head").changed({"R45": "6.8k"})
    place = re.search(r": R44 at (\d+) % of its travel", bias_report(one).verdict)
    assert place, bias_report(one).verdict
    assert bias_report(one.changed({"R44.position": float(place[1]) / 100})).verdict == "Leave it."


def test_a_cold_stage_gets_the_resistor_that_warms_it() -> None:
    cold = amp("reverb-tremolo").changed({"R87": "47k"})
    found = re.search(r"cold \(weak, distorted\): R87 (\S+) kΩ", bias_report(cold).verdict)
    assert found, bias_report(cold).verdict
    assert 0.5 <= bias_report(cold.changed({"R87": f"{found[1]}k"})).tubes[0].share <= 0.7


def test_other_types_are_power_tubes_solved_in_all_sockets() -> None:
    others = {one.type: one for one in bias_report(amp("teasel")).others}
    assert "6SJ7" not in others  # same base and heater, but a signal pentode
    alone = analyze(amp("teasel").changed({"V3": "6K6GT", "V4": "6K6GT"})).tube("V3")
    assert others["6K6GT"].plate_a == pytest.approx(alone.plate_a, rel=1e-3)
    assert others["6K6GT"].verdict.startswith("too hot")


@pytest.mark.parametrize("name", ["vetch", "four-output-tubes", "reverb-tremolo"])
def test_answer_ends_in_what_to_do_within_a_screen(name: str) -> None:
    answer = bias_report(amp(name))
    assert re.search(r"Leave it\.$|Change it because .*\.$", answer.headline())
    assert len(short_answer(answer).splitlines()) <= 25


def test_command_and_what_has_no_output_tube(capsys) -> None:  # type: ignore[no-untyped-def]
    assert main(["bias", "fescue", "R25=100"]) == 0
    assert "Change it because" in " ".join(capsys.readouterr().out.split())
    with pytest.raises(ChangeError, match="no output tube"):
        bias_report(amp("teasel").changed({"T2": "removed"}))


def test_a_type_that_the_socket_is_not_wired_for_never_fits() -> None:
    """An EL34 has its suppressor on pin 1, and a 7591 has grid and screen elsewhere (pins in data/tubes)."""
    others = {one.type: one.verdict for one in bias_report(amp("fixed-bias-head")).others}
    assert others["EL34"].startswith("no: rewire the socket")
    assert others["7591"].startswith("no: rewire the socket")
    assert others["6550"].startswith("fine")


def test_both_channels_of_a_stereo_amp_are_listed() -> None:
    changed = amp("stereo-single-ended").changed({"V3.emission": 1.5})
    result, report = bias_report(changed), analyze(changed)
    assert [one.tube for one in result.tubes] == ["V2", "V3"]
    assert [one.plate_w for one in result.tubes] == pytest.approx(
        [float(report.tube(name).plate_w) for name in ("V2", "V3")], rel=1e-6
    )
    assert "V3" in result.headline()

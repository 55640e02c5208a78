"""An amp that oscillates is a stop, named first by every answer about it; a tremolo is no fault.

Criterion: a linear circuit is stable where no natural frequency has a real part above zero (any network
theory textbook). Which changes make an amp oscillate: common practice of the trade (no source).
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import scipy

from tests.amp.signal_amps import with_feedback
from tests.amps import FILES, amp, solved
from tubekit import analyze
from tubekit.amp import amp_from_text
from tubekit.amp.discharge import discharge
from tubekit.amp.hum_paths import held_supply
from tubekit.amp.signal import signal_path
from tubekit.amp.signal_view import idle_signal, signal_view
from tubekit.amp.stability import Stability
from tubekit.analyses.transient import transient
from tubekit.cli.main import main
from tubekit.decisions import swap
from tubekit.record.page import page
from tubekit.record.record import contents

CROSSED = {"T2.primary.nodes": ["p4", "B1", "p3"]}
"""Primary leads exchanged after work on the output transformer: the classic mistake."""


@pytest.mark.parametrize(
    "words",
    [["swap"], ["trace"], ["tone"], ["loop"]],
    ids=" ".join,
)
def test_exchanged_primary_leads_are_named_first(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "burdock", "T2.primary.nodes=p4,B1,p3"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert text.startswith("DANGER: The amp oscillates: it squeals or blocks")
    assert "with R13 lifted the amp is stable" in text


@pytest.mark.parametrize("words", [["hum"], ["drive"], ["bench", "drive"]], ids=" ".join)
def test_what_cannot_be_asked_of_it_is_refused_with_the_same_words(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "burdock", "T2.primary.nodes=p4,B1,p3"]) == 1
    assert "The amp oscillates: it squeals or blocks" in capsys.readouterr().err


def test_a_swap_is_stopped_by_it() -> None:
    report = swap(amp("burdock"), CROSSED)
    stop = report.verdict[0]
    assert (stop.weight, stop.code, stop.cause) == ("stop", "oscillates", "new")
    assert not report.acceptable
    back = swap(report.after.amp, {"T2.primary.nodes": ["p3", "B1", "p4"]})
    assert ("oscillates", "mended") in {(f.code, f.cause) for f in back.verdict}
    assert back.acceptable


def test_small_signal_figures_of_it_are_blank() -> None:
    report = analyze(amp("burdock").changed(CROSSED))
    assert np.isnan([each.gain for each in report.tubes]).all()
    assert np.isnan(report.node("p1a").ac_rms_v)
    assert report.node("B2").ac_rms_v > 0  # ripple of the supply stays
    assert report.tube("V3").plate_w == pytest.approx(solved("burdock").tube("V3").plate_w, rel=1e-3)


def test_json_and_records_say_it_first(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["swap", "burdock", "T2.primary.nodes=p4,B1,p3", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["dangers"][0]["code"] == "oscillates"
    report = analyze(amp("burdock").changed(CROSSED))
    sheet = page(contents(report.amp, report))
    assert sheet.index("The amp oscillates: it squeals or blocks") < sheet.index("<h2>Decided</h2>")


def test_an_amp_that_oscillates_as_drawn_is_said_at_once() -> None:
    report = solved("ultralinear")
    assert [note.code for note in report.dangers] == ["oscillates"]
    assert str(report).startswith("DANGER: The amp oscillates near")
    assert report.amp.dangers == ()  # its wiring is safe: it has to be solved for it


def test_one_answer_for_report_and_signal_path() -> None:
    for name in ("teasel", "burdock", "fescue", "vetch", "four-output-tubes", "ultralinear"):
        path = signal_path(amp(name))
        assert path.stable.tolist() == solved(name).stability.stable.tolist()
        assert path.view.stability.headline() == solved(name).stability.headline()


def test_a_tremolo_is_held_still_and_asked_about() -> None:
    result = solved("reverb-tremolo").stability
    assert result.oscillator == "V5a"
    assert not result.drawn.stable[0]
    assert result.stable[0]
    assert not solved("reverb-tremolo").dangers
    (note,) = result.notes()
    assert (note.code, note.part, note.danger) == ("tremolo", "V5a", False)
    assert "oscillates by itself at about 7" in note.text
    view = signal_view(amp("reverb-tremolo"), near=solved("reverb-tremolo").solved)
    assert any("V5a not oscillating" in words for words in view.assumptions)
    assert view.output.designator == "LS1"  # not the input coil of the reverb tank


def test_the_footswitch_stops_the_tremolo() -> None:
    off = amp("reverb-tremolo").changed({"S3.position": "closed"})
    assert idle_signal(analyze(off, near=solved("reverb-tremolo")).solved)[1].oscillator == ""


def test_motorboating_is_not_taken_for_a_tremolo() -> None:
    result = idle_signal(analyze(amp("ultralinear").changed({"R23": "removed"})).solved)[1]
    assert not result.stable[0]
    assert 0 < result.naturals.oscillates_hz[0] < 20
    assert result.oscillator == ""


def test_what_stops_an_oscillation_is_named_and_does_stop_it() -> None:
    """Second way: eigenvalues of the whole matrix pencil by SciPy's QZ, once as drawn and once as advised."""

    def growing(changes: dict[str, str]) -> list[float]:
        view = signal_view(amp("ultralinear").changed(changes))
        poles = scipy.linalg.eigvals(view.matrix[0], -view.network.storage[0])
        up = poles[np.isfinite(poles) & (np.abs(poles) < 1e9) & (poles.real > 1e-2) & (poles.imag >= 0)]
        return sorted((up.imag / (2 * np.pi)).tolist())

    hertz = growing({})
    assert len(hertz) == 3
    assert hertz[-1] == pytest.approx(865e3, rel=0.01)
    assert max(hertz[:2]) < 5.0  # it motorboats as well
    (note,) = signal_view(amp("ultralinear")).stability.notes()
    for words in (
        "with R23 lifted the 865 kHz stops",
        "no leads are swapped",
        "R23 at 14 kΩ",
        "C22, 16 µF; 48 µF",
    ):
        assert words in note.text
    assert growing({"R23": "14.1k", "C22": "48u"}) == []
    assert growing({"R23": "14.1k"})
    assert growing({"C22": "48u"})


def test_a_step_network_is_advised_where_one_stops_it() -> None:
    drawn = (FILES / "ultralinear.toml").read_text(encoding="utf-8")
    text = (
        drawn.replace('C22 = { value = "16u"', 'C22 = { value = "48u"')
        .replace('"4.7k", nodes = ["ls16"', '"10k", nodes = ["ls16"')
        .replace('inductance = "100 H"', 'inductance = "300 H"')
    )
    (note,) = signal_view(amp_from_text(text, "more iron")).stability.notes()
    found = re.search(r"V2a plate \(p2a\) to ground: (\S+) kΩ and (\S+) pF stop it", note.text)
    assert found, note.text
    ohms, farads = found.groups()
    text += f'C31 = {{ value = "{farads}p", nodes = ["p2a", "st"] }}\n'
    text += f'R50 = {{ value = "{ohms}k", nodes = ["st", "ground"] }}\n'
    assert signal_view(amp_from_text(text, "tamed")).stability.stable.all()


def test_a_batch_counts_the_variants_that_oscillate() -> None:
    amps = with_feedback("22k", reversed_phase=True).changed({"R27": ["22k", "100M"]})
    result = analyze(amps).stability
    assert result.stable.tolist() == [False, True]
    assert result.headline().startswith("1 of 2 variants (R27 22 kΩ) oscillate")


def test_discharge_does_not_follow_an_oscillation() -> None:
    """It went on for ever; the supply falls as that of the amp with its leads right."""
    crossed = amp("burdock").changed(CROSSED)
    result, right = (
        discharge(crossed, seconds=8.0),
        discharge(amp("burdock"), near=solved("burdock"), seconds=8.0),
    )
    for capacitor in ("C11", "C14"):
        left, wanted = (each.of(capacitor, "cooling").volts[:4] for each in (result, right))
        np.testing.assert_allclose(left, wanted, rtol=0.01)
    assert any("no oscillation" in words for words in result.notes())


@pytest.mark.parametrize("words", [["spread", "--size", "20"], ["judge"], ["suspects"]], ids=lambda w: w[0])
def test_bands_verdicts_and_suspects_name_it_first(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    readings = tmp_path / "readings.csv"
    readings.write_text("place,quantity,value\nB1,DC volts,440 V\nB2,DC volts,430 V\nB3,DC volts,400 V\n")
    name, *more = words
    end = [] if name == "spread" else [str(readings)]
    main([name, str(FILES / "ultralinear.toml"), *end, *more])
    captured = capsys.readouterr()
    text = captured.out or captured.err
    assert "oscillates near" in text.split("\n\n")[0], text[:300]


def _run(speed: float) -> tuple[float, float, Stability]:
    """Rate and swing of a grid of the output pair, followed in time with the rails held."""
    view = signal_view(amp("reverb-tremolo").changed({"R42.position": speed}))
    run = transient(held_supply(view), 3.0, tolerance=1e-3, longest_step=5e-3)
    late = run.time > 1.8
    volts, time = run.volts("g6")[late], run.time[late]
    volts = volts - volts.mean()
    up = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    crossed = time[up] - volts[up] * (time[up + 1] - time[up]) / (volts[up + 1] - volts[up])
    return float(1.0 / np.diff(crossed).mean()), float(np.ptp(volts)), view.stability


def test_the_rate_and_swing_of_a_tremolo_are_those_of_a_run_in_time() -> None:
    """Reference: the whole amp stepped in time (`analyses.stepping`); its poles at idle say 5.3 Hz."""
    hertz, swing, judged = _run(0.5)
    result = judged.tremolo
    assert result is not None
    assert result.hertz == pytest.approx(hertz, rel=0.03)
    assert dict(zip(result.moved, result.swings_v, strict=True))["V6"] == pytest.approx(swing, rel=0.05)
    (note,) = judged.notes()
    assert not note.danger
    assert "depth" in note.text
    assert "leads" not in note.text


@pytest.mark.parametrize(("speed", "hertz"), [(0.2, 4.982), (0.8, 10.212)])
def test_a_tremolo_has_its_rate_at_other_speeds(speed: float, hertz: float) -> None:
    """Computed beforehand by the same run in time."""
    result = signal_view(amp("reverb-tremolo").changed({"R42.position": speed})).stability.tremolo
    assert result is not None
    assert result.hertz == pytest.approx(hertz, rel=0.03)


@pytest.mark.parametrize("command", ["report", "trace", "tone", "hum"])
def test_no_answer_about_a_tremolo_asks_for_the_transformers_leads(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    more = ["R28=1k"] if command == "tone" else []
    assert main([command, str(FILES / "reverb-tremolo.toml"), *more]) == 0
    assert "leads" not in capsys.readouterr().out.replace("test leads", "")


def test_the_swing_of_a_tremolo_is_computed_only_where_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """It costs more than the whole idle state."""
    asked: list[object] = []
    monkeypatch.setattr("tubekit.amp.stability.limit_cycle", lambda *given: asked.append(given))
    report = analyze(amp("reverb-tremolo").changed({}))
    assert (report.stability.oscillator, report.stability.dangers, asked) == ("V5a", (), [])
    str(report)
    assert asked

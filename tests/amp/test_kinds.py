"""What each kind of part states of itself."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp
from tests.every_kind import TEXT, every_kind, every_kind_solved
from tests.kinds_table import QUICK, table
from tubekit import analyze, plots
from tubekit.amp import amp_from_text, load_amp
from tubekit.amp.controls import control_family
from tubekit.amp.discharge import discharge
from tubekit.amp.parts import KINDS, Lamp, LPad, Potentiometer, Winding
from tubekit.amp.parts.faults import CircuitParameter
from tubekit.amp.parts.part import Hookup
from tubekit.amp.settings import apply_settings
from tubekit.bench.faults import single_faults, with_fault
from tubekit.cli import main
from tubekit.decisions.limits import limits
from tubekit.decisions.population import variables, with_fault_ports
from tubekit.decisions.regulation import fit_lines
from tubekit.errors import AmpFileError
from tubekit.panels.form.parts_list import KINDS as BENCH_KINDS


@pytest.fixture(scope="module")
def many_windings():
    """teasel with a power transformer of more than ten coils."""
    drawn = load_amp("teasel")
    more = tuple(
        Winding(name=f"spare{k}", taps=(f"s{k}", "ground"), volts=(5.0 + k,), ohms=(0.1,)) for k in range(9)
    )
    t1 = drawn.parts["T1"]
    return replace(drawn, parts={**drawn.parts, "T1": replace(t1, windings=(*t1.windings, *more))})


def test_a_fault_beyond_the_tenth_coil_is_put_into_that_coil(many_windings):
    circuit = with_fault_ports(many_windings).circuit
    coils = next(part for part in circuit.parts if part.name == "T1").ohms
    assert len(coils) > 11
    fault = next(f for f in single_faults(many_windings) if f.words == "T1 spare8 open")
    settings = {
        parameter: (np.array([factor]), np.zeros(1)) for parameter, (factor, _) in fault.grades[0].items()
    }
    result = next(part for part in apply_settings(circuit, settings).parts if part.name == "T1").ohms
    changed = [j for j, (was, now) in enumerate(zip(coils, result, strict=True)) if np.any(was != now)]
    assert changed == [len(coils) - 1]


def test_a_winding_beyond_the_tenth_coil_has_its_own_turns(many_windings):
    circuit = with_fault_ports(many_windings).circuit
    old = np.asarray(next(part for part in circuit.parts if part.name == "T1").henries)
    new = apply_settings(circuit, {CircuitParameter("T1", "turns12"): (np.array([2.0]), np.zeros(1))})
    ratio = np.asarray(next(part for part in new.parts if part.name == "T1").henries)[0] / old
    assert ratio[12, 12] == pytest.approx(4.0)
    assert ratio[2, 2] == pytest.approx(1.0)


def test_sections_of_a_tapped_winding_are_named_by_tap():
    words = {fault.words for fault in single_faults(amp("ultralinear"))}
    assert {"T2 primary p4 to u4 open", "T2 primary u5 to p5 open"} <= words
    assert not any("half 3" in one for one in words)
    assert "T1 high_voltage half 2 open" in {fault.words for fault in single_faults(amp("teasel"))}


def examples(kind):
    drawn = [part for part in every_kind().parts.values() if type(part) is kind]
    assert drawn, f"no {kind.kind} is drawn in tests/every_kind.py"
    return drawn


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.kind)
def test_every_kind_states_all_that_the_rooms_ask_of_it(kind):
    """A kind without faults or spread says why; none is left out of the circuit, the drawing or the form."""
    amp, hookup = every_kind(), Hookup(117.0, 117.0, 60.0)
    part = examples(kind)[0]
    reasons = dict(kind.without)
    parts = (part, replace(part, plugged=False)) if kind.kind == "jack" else (part,)
    assert any(list(one.wired(hookup)) for one in parts), "not in the circuit"
    assert all(one.pins for one in part.symbols()), "not on the drawing"
    assert set(part.nodes) - {node for one in part.symbols() for _, node in one.pins} <= {"ground"}
    for name, result in (
        ("varies", [v for age in ("vintage", "modern") for v in part.varies(age, None)]),
        ("faults", list(part.faults(amp.parts))),
        ("ratings", list(part.ratings(every_kind_solved().solved.state, set()))),
    ):
        assert bool(result) != (name in reasons), f"{name}: state some, or why there are none"
    assert len(list(part.couples())) + len(list(part.rectifies())) + len(getattr(part, "sections", ())) or (
        kind.kind in ("mains plug", "regulator tube", "jack")
    )


def test_what_a_kind_states_turns_what_is_in_the_circuit():
    """A knob that names nothing would be a fault that does nothing."""
    amp = every_kind()
    circuit = with_fault_ports(amp).circuit
    parameters = {turn.parameter for v in variables(amp) for turn in v.turns}
    parameters |= {parameter for fault in single_faults(amp) for grade in fault.grades for parameter in grade}
    assert {parameter.part for parameter in parameters} <= {part.name for part in circuit.parts}
    apply_settings(circuit, {parameter: (np.ones(1), np.zeros(1)) for parameter in parameters})


def test_what_varies_in_a_good_part_turns_nothing_in_one_rewired():
    """`suspects` had crashed on an amp with a Zener diode: a shorted one is a wire, which has no voltage."""
    amp = every_kind()
    settings = {turn.parameter: (np.ones(1), np.zeros(1)) for v in variables(amp) for turn in v.turns}
    rewired_ones = [
        fault for fault in single_faults(amp) if fault.becomes is not None and fault.part in ("CR1", "CR2")
    ]
    assert rewired_ones
    for fault in rewired_ones:
        apply_settings(with_fault_ports(with_fault(amp, fault)).circuit, settings)


def test_the_form_offers_every_kind_that_has_its_own_table():
    offered = {kind for _, kind in BENCH_KINDS.values()}
    assert offered == {one.kind for one in KINDS} - {"rectifier tube", "regulator tube"}


def test_a_regulator_holds_its_voltage_and_its_capacitor_is_judged_by_it():
    report = every_kind_solved()
    assert report.node("B3").dc_v == pytest.approx(150.0, abs=3.0)  # 0A2, from memory
    open_ = discharge(every_kind(), near=report).of("C8", "cold").volts[0]
    assert open_ == pytest.approx(150.0, abs=3.0)  # a cold cathode needs no heater: it holds before warm-up


def test_an_l_pad_keeps_its_load_and_turns_the_level():
    """Source: the L-pad's two arms (textbook): series Z(1 - k) and shunt Zk/(1 - k) keep Z at its input."""
    pad = replace(examples(LPad)[0], ohms=8.0)
    for position in (0.2, 0.5, 0.9):
        series, shunt = (float(one) for one in replace(pad, position=position).arms)
        assert series + shunt * 8.0 / (shunt + 8.0) == pytest.approx(8.0)
    turned_down = control_family(every_kind(), {"R40": [0.3, 0.8]}, frequencies_hz=[1000.0])
    assert turned_down.gain_db[0, 0] < turned_down.gain_db[1, 0] - 10.0


def test_every_part_of_every_kind_is_on_the_schematic():
    drawn = str(plots.schematic(every_kind()))
    for part in every_kind().parts.values():
        assert any(one.name in drawn for one in part.symbols()), part.designator


def test_a_regulator_that_gets_too_little_current_is_said():
    """0A2: 5 mA at least, 30 mA at most (from memory)."""
    result = {c.code: c for c in limits(every_kind_solved()) if c.part == "V4"}
    assert result["dc_a"].state == result["least_a"].state == result["strike_v"].state == "within"
    starved = limits(analyze(every_kind().changed({"R12": "33k"}), near=every_kind_solved()))
    assert next(c for c in starved if c.part == "V4" and c.code == "least_a").state == "exceeded"
    assert {"watts"} == {c.code for c in limits(every_kind_solved()) if c.part == "R40"}


def test_a_potentiometer_and_a_lamp_are_compared_with_their_ratings():
    """All of a track's rating holds for a whole track: half of it takes half (shop rule of thumb)."""
    near = every_kind_solved()
    pot = Potentiometer(
        designator="R60", top="B3", wiper="B3", bottom="ground", ohms=100e3, taper="linear", watts=0.5
    )
    result = {
        at: next(iter(replace(pot, position=at).ratings(near.solved.state, set()))).value[0]
        for at in (0.5, 1.0)
    }
    volts = near.node("B3").dc_v
    assert result[1.0] == pytest.approx(volts**2 / 100e3, rel=1e-3)
    assert result[0.5] == pytest.approx(
        4.0 * result[1.0], rel=1e-3
    )  # the current in half of the track, squared
    lamp = examples(Lamp)[0]
    for rated, verdict in ((6.3, "within"), (5.0, "exceeded")):
        other = every_kind().changed({lamp.designator: f"{rated} V 0.15 A"})
        checks = limits(analyze(other, near=near)).checks
        assert next(c for c in checks if c.part == lamp.designator).state == verdict


def test_terminals_that_may_not_meet_are_the_kinds_own():
    with pytest.raises(AmpFileError, match=r"R40: input and common both connect to 'ground'"):
        amp_from_text(TEXT.replace('input = "speaker_cab"', 'input = "ground"'), "one of each")


def test_an_l_pad_is_a_slider_of_the_tone_panel():
    from tubekit.panels.part_settings import amp_controls
    from tubekit.panels.tone_sight import positions

    assert "R40" in {part.designator for part, _ in amp_controls(every_kind())}
    assert positions(every_kind())["R40"] == 0.8


def test_a_diode_that_carries_no_current_has_no_powers():
    """A diode across a rail holds off all the time; no line can be laid through its leak."""
    drawn = amp_from_text(TEXT + '[CR9]\ntype = "1N4007"\nnodes = ["ground", "B1"]\n', "with a clamp")
    lines = fit_lines(with_fault_ports(drawn).circuit, 60.0, [CircuitParameter("P1", "volts")])
    assert lines.powers[CircuitParameter("P1", "volts")][-1] == pytest.approx([0.0, 0.0])


ANSWERS = {
    "report": [], "swap": ["R40.position=0.4"], "trace": [], "tone": ["R40.position=0.4"], "drive": [],
    "hum": [], "supply": [], "discharge": [], "regulation": [], "substitutes": ["R12"], "cable": [],
}  # fmt: skip
"""Commands that answer within a second or two; `python -m tests.benchmarks.commands` runs them all."""


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("command", ANSWERS)
def test_a_command_answers_on_an_amp_with_every_kind(command, tmp_path, capsys):
    file = tmp_path / "every.toml"
    file.write_text(TEXT, encoding="utf-8")
    assert main([command, str(file), *ANSWERS[command]]) == 0
    text = capsys.readouterr().out
    assert text
    assert not re.search(r"\b(nan|inf|None|batch)\b", text)


def test_every_answer_names_a_kind_or_says_why_not():
    """The quick columns of `python -m tests.kinds_table`: no cell without a reason. The rest take minutes."""
    result = list(table(QUICK))
    for row in result:
        assert not [kind for kind, why in row.reasons.items() if not why], row.column
        assert any(row.named.values()) or row.column not in QUICK, row.column
    shown = {row.column: row for row in result}
    for column in ("in the circuit", "form", "schematic", "parts"):
        assert not shown[column].reasons, column

"""The loudspeaker as a load, and what is taken where an amp file is silent."""

from __future__ import annotations

import numpy as np
import pytest

from tests.amps import amp
from tubekit.amp import amp_from_text
from tubekit.amp.build import assumed_values
from tubekit.amp.parts import Loudspeaker
from tubekit.amp.parts.part import Hookup
from tubekit.amp.signal import signal_path
from tubekit.analyses.elimination import respond
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.part_sensitivity import picker
from tubekit.analyses.regulation import SpeakerLoad as Law
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import Circuit, Resistor

STATED = {
    "LS1.resonance_q": "4", "LS1.loss_hz": "3 kHz", "T2.primary.capacitance": "300p",
    **{f"V{n}.grid_wiring": "5p" for n in ("1.a", "1.b", "2.a", "2.b", "3", "4")},
    **{f"V{n}.plate_wiring": "5p" for n in ("1.a", "1.b", "2.a", "2.b", "3", "4")},
}  # fmt: skip


def impedance(speaker, hertz):
    """Of a loudspeaker as it is wired, from the volts that 1 A makes across it."""
    circuit = Circuit((*speaker.wired(Hookup(117.0, 117.0, 60.0)), Resistor("R", "hot", "ground", 1e9)))
    point = operating_point(circuit)
    hot, matrix = picker(point.network, "hot"), linearised(point.network, list(point.slopes))
    return respond(point.network, matrix, hot, 2j * np.pi * hertz)[0] @ hot


def test_a_voice_coil_rises_as_the_square_root_of_frequency():
    """Common practice, no source: about 3 dB an octave above a few kHz, 6 dB for a coil without iron."""
    hertz = np.array([100.0, 1e3, 3e3, 10e3, 20e3, 40e3])
    speaker = Loudspeaker(designator="LS1", ends=("hot", "ground"), ohms=8.0)
    result, law = impedance(speaker, hertz), Law().impedance(hertz)
    assert np.abs(20 * np.log10(np.abs(result / law))).max() < 0.3
    rise = np.abs(result - 6.4)
    assert rise[4] / rise[3] == pytest.approx(np.sqrt(2), rel=0.06)


def test_a_dummy_load_is_a_resistor_of_the_nominal_ohms():
    dummy = Loudspeaker(designator="LS1", ends=("hot", "ground"), ohms=8.0, dummy=True)
    assert impedance(dummy, np.array([50.0, 15e3])) == pytest.approx([8.0, 8.0])


def test_pentodes_without_feedback_do_not_rise_by_20_db():
    """A coil without losses has teasel rise by 20.4 dB at 15 kHz; with them, by some 9."""
    hertz = [15e3]
    lossy = signal_path(amp("teasel"), frequencies_hz=hertz)
    pure = signal_path(amp("teasel").changed({"LS1.loss_hz": "1 GHz"}), frequencies_hz=hertz)
    rise = [one.gain_db[0, 0] - 20 * np.log10(abs(one.reference_gain[0])) for one in (lossy, pure)]
    assert rise[0] < 12
    assert rise[1] > 18


def test_what_is_taken_is_listed_until_it_is_stated():
    drawn = amp("teasel")
    assert {one.key for one in assumed_values(drawn)} == {
        "grid_wiring", "plate_wiring", "primary.capacitance", "resonance_q", "loss_hz",
    }  # fmt: skip
    stated = drawn.changed(STATED)
    assert assumed_values(stated) == ()
    again = amp_from_text(stated.copy_as_text(), "again")
    assert assumed_values(again) == ()
    assert again.parts["V1"].sections[1].grid_wiring == again.parts["V3"].sections[0].plate_wiring == 5e-12


def test_the_top_corner_without_what_is_taken_is_that_of_an_amp_that_states_as_much():
    path = signal_path(amp("teasel"))
    without = {one.key: float(hz[0]) for one, hz in path.taken}
    bare = signal_path(amp("teasel").changed({"T2.primary.capacitance": "0.001p"}))
    assert without["primary.capacitance"] == pytest.approx(float(bare.whole.high.hz[0]), rel=1e-5)
    assert without["primary.capacitance"] > 1.1 * float(path.whole.high.hz[0])


def test_a_shielded_grid_lead_lowers_the_corner():
    path, long_lead = (signal_path(amp("vetch").changed({"V1.b.grid_wiring": f})) for f in ("5p", "100p"))
    assert long_lead.whole.high.hz[0] < path.whole.high.hz[0]

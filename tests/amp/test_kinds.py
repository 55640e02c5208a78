"""What each kind of part states of itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp
from tubekit.amp import load_amp
from tubekit.amp.parts import Winding
from tubekit.amp.parts.variables import Knob
from tubekit.bench.faults import single_faults
from tubekit.decisions.instrument import instrumented, turned


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
    circuit = instrumented(many_windings).circuit
    coils = next(part for part in circuit.parts if part.name == "T1").ohms
    assert len(coils) > 11
    fault = next(f for f in single_faults(many_windings) if f.words == "T1 spare8 open")
    settings = {knob: (np.array([factor]), np.zeros(1)) for knob, (factor, _) in fault.grades[0].items()}
    found = next(part for part in turned(circuit, settings).parts if part.name == "T1").ohms
    changed = [j for j, (was, now) in enumerate(zip(coils, found, strict=True)) if np.any(was != now)]
    assert changed == [len(coils) - 1]


def test_a_winding_beyond_the_tenth_coil_has_its_own_turns(many_windings):
    circuit = instrumented(many_windings).circuit
    old = np.asarray(next(part for part in circuit.parts if part.name == "T1").henries)
    new = turned(circuit, {Knob("T1", "turns12"): (np.array([2.0]), np.zeros(1))})
    ratio = np.asarray(next(part for part in new.parts if part.name == "T1").henries)[0] / old
    assert ratio[12, 12] == pytest.approx(4.0)
    assert ratio[2, 2] == pytest.approx(1.0)


def test_sections_of_a_tapped_winding_are_named_by_tap():
    words = {fault.words for fault in single_faults(amp("ultralinear"))}
    assert {"T2 primary p4 to u4 open", "T2 primary u5 to p5 open"} <= words
    assert not any("half 3" in one for one in words)
    assert "T1 high_voltage half 2 open" in {fault.words for fault in single_faults(amp("teasel"))}

"""Closed forms of the handbooks against the whole-amp reader, within 0.5 %.

Each is worked out from the tube's own slopes at the idle point the solver found. Sources: any text on
tube circuits (RDH4 ch. 2, 7, 12, from memory); the Miller effect from J. M. Miller, Sci. Papers Bur.
Standards 15 (1920) (from memory).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.amps import variant
from tests.say import say
from tubekit.amp.parts.tubes import GRID_WIRING_F
from tubekit.amp.signal import SignalPath, signal_path
from tubekit.circuit.newton import block_diagonal
from tubekit.devices.catalogue import tube

CLOSE = 5e-3


@cache
def path(bypassed: bool = True, hertz: float = 1000.0) -> SignalPath:
    return signal_path(variant("plain", "" if bypassed else "[C1]\nremoved = true\n"), reference_hz=hertz)


def slopes(result: SignalPath, section: str) -> tuple[float, float]:
    """mu and rp of a section at its idle point."""
    network, point = result.view.network, result.view.point
    grid, plate = (network.port_names.index((section, port)) for port in ("grid", "plate"))
    matrix = block_diagonal(network.groups, list(point.slopes))[0]
    return float(matrix[plate, grid] / matrix[plate, plate]), float(1 / matrix[plate, plate])


def parallel(*ohms: complex) -> complex:
    return 1 / sum(1 / each for each in ohms)


def plate_load(result: SignalPath, s: complex) -> complex:
    """R5, then C2 into the volume control with its grid."""
    grid = result.stage("V1b").input_ohms[0]
    top, bottom = 0.9e6, 0.1e6  # audio taper, half way
    return parallel(100e3, 1 / (s * 22e-9) + top + parallel(bottom, grid))


def test_gain_with_and_without_bypass() -> None:
    """mu RL/(RL + rp + (mu + 1) Zk)."""
    s = 2j * np.pi * 1000.0
    for bypassed in (True, False):
        result = path(bypassed)
        mu, rp = slopes(result, "V1a")
        load = plate_load(result, s)
        cathode = parallel(1500.0, 1 / (s * 25e-6)) if bypassed else 1500.0
        expected = mu * load / (load + rp + (mu + 1) * cathode)
        gain = -result.stage("V1a").gain[0]
        say(f"gain, bypass {bypassed}: {abs(gain):.2f}, closed form {abs(expected):.2f}")
        assert abs(gain) == pytest.approx(abs(expected), rel=CLOSE)


def test_miller_capacitance() -> None:
    """C_gk + C_wiring + (1 + |A|) C_gp, with the real part of the gain."""
    for section in ("V1a", "V1b", "V2a"):
        stage = path().stage(section)
        caps = tube("12AX7").capacitances
        expected = caps["grid_cathode"] + GRID_WIRING_F + (1 - stage.gain[0].real) * caps["grid_plate"]
        if section == "V2a":  # parts of the treble control hang on the grid as well
            continue
        say(f"{section}: {stage.input_farads[0] * 1e12:.1f} pF, closed form {expected * 1e12:.1f} pF")
        assert stage.input_farads[0] == pytest.approx(expected, rel=CLOSE)


def test_output_impedance_at_the_plate() -> None:
    """RL ∥ (rp + (mu + 1) Zk): at 200 Hz, where the interelectrode capacitances do not count."""
    s = 2j * np.pi * 200.0
    for bypassed in (True, False):
        result = path(bypassed, 200.0)
        mu, rp = slopes(result, "V1a")
        cathode = parallel(1500.0, 1 / (s * 25e-6)) if bypassed else 1500.0
        expected = parallel(100e3, rp + (mu + 1) * cathode)
        assert abs(result.stage("V1a").output_ohms[0]) == pytest.approx(abs(expected), rel=CLOSE)


def test_split_load_inverter() -> None:
    """mu R/(rp + R + (mu + 1)(R + Rk)) to either end, each loaded by its coupling capacitor's way."""
    result = path()
    stage = result.stage("V2b")
    mu, rp = slopes(result, "V2b")
    load = parallel(56e3, 220e3)
    expected = mu * load / (rp + load + (mu + 1) * (load + 1500.0))
    at_tail = result.view.network.index["tail2b"]
    say(f"split load: {abs(stage.gain[0]):.4f}, closed form {expected:.4f}")
    assert abs(stage.gain[0]) == pytest.approx(expected, rel=CLOSE)
    assert at_tail >= 0
    assert abs(stage.cathode_gain[0] / stage.grid_gain[0]) == pytest.approx(
        expected * (load + 1500.0) / load, rel=CLOSE
    )


def test_cathode_follower_and_its_output_impedance() -> None:
    """mu/(mu + 1) at most, and rp/(mu + 1) ∥ Rk; V2b with its plate straight on the rail."""
    amp = variant("follower", '[R13]\nvalue = "0.01"\n')
    result = signal_path(amp, reference_hz=1000.0)
    mu, rp = slopes(result, "V2b")
    below = 1500.0 + parallel(56e3, 220e3)
    stage = result.stage("V2b")
    expected = mu * below / (rp + (mu + 1) * below)
    assert abs(stage.cathode_gain[0] / stage.grid_gain[0]) == pytest.approx(expected, rel=CLOSE)


def test_divider_at_the_jacks() -> None:
    """The high jack: nearly all of the signal. The low one: half, through the other's resistor."""
    high, low = (signal_path(variant("jacks", ""), jack=jack) for jack in ("J1", "J2"))
    ratio = abs(low.stage("V1a").grid_gain[0] / high.stage("V1a").grid_gain[0])
    assert ratio == pytest.approx(0.5, rel=CLOSE)
    assert abs(high.stage("V1a").grid_gain[0]) == pytest.approx(1.0, rel=CLOSE)
    assert abs(low.input_ohms[0]) == pytest.approx(94e3, rel=CLOSE)


def test_load_on_the_output_tubes() -> None:
    """(N1/N2)² (Z + R2) + R1, magnetizing inductance and winding capacitance in parallel (at 1 kHz small)."""
    result = path()
    turns = 31.6**2
    speaker = result.loaded_ohms[0]
    s = 2j * np.pi * 1000.0
    leak = s * 45e-3
    expected = 155 + 170 + parallel(turns * (speaker + 0.5) + leak, s * 28.0)
    say(f"load: {abs(result.load_ohms[0]):.0f} Ω, closed form {abs(expected):.0f} Ω")
    assert abs(result.load_ohms[0]) == pytest.approx(abs(expected), rel=CLOSE)

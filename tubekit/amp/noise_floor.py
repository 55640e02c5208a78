"""Noise at the output with a quiet generator in the input."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.findings import part_words
from tubekit.amp.signal_view import GENERATOR, SOURCE_OHMS, SignalView, signal_view
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.elimination import respond
from tubekit.analyses.small_signal import FLICKER_HZ, KELVIN, Noise, noise
from tubekit.circuit.newton import on_one_core
from tubekit.text import Printed, Table, headed, quantity

Array = np.ndarray

BAND_HZ = np.geomspace(20.0, 20e3, 120)


@dataclass(frozen=True, eq=False, repr=False)
class NoiseFloor(Printed):
    """Noise at the output from resistors and tubes, 20 Hz to 20 kHz."""

    amp: Amp
    output: str
    output_rms: Array = quantity("V RMS", "v_n", "noise at the output")
    input_rms: Array = quantity("V RMS", "e_n", "noise as if it came from the generator")
    noise: Noise = field(repr=False, kw_only=True)
    view: SignalView = field(repr=False, kw_only=True)

    json_keys = (
        "amp=amp.title", "output_rms", "input_rms", "sources=noise.sources",
        "source_rms=noise.source_rms",
    )  # fmt: skip

    @property
    def output_db(self) -> Array:
        """Against one watt in the nominal impedance, or a volt at an output jack [dB], (N,)."""
        return self.view.db(self.output_rms)

    def headline(self) -> str:
        """Noise at the output and against the input."""
        out, into = float(self.output_rms[0]), float(self.input_rms[0])
        return (
            f"{self.amp.title}: {out * 1e3:.3g} mV of noise at {self.output} ({self.output_db[0]:.0f} dB "
            f"re 1 {self.view.unit}), as from {into * 1e6:.3g} µV at the jack"
        )

    def tables(self) -> list[Table]:
        """The strongest sources."""
        sizes, total = self.noise.source_rms, self.noise.total_rms
        order = np.argsort(-sizes[0])[:10]
        rows = [(_words(self.noise.sources[k]), sizes[:, k], 100 * (sizes[:, k] / total) ** 2) for k in order]
        heads = headed("source", f"at the {self.view.output_words} [V] tiny", "of the power [%] .1f")
        note = (
            f"20 Hz to 20 kHz, no weighting. Parts at {KELVIN:g} K; tubes as equivalent noise resistance, "
            f"with flicker noise from {FLICKER_HZ:g} Hz down (common practice). Carbon resistors with "
            "DC across them make more."
        )
        return [Table("Noise", heads, rows, note=note, key="noise")]


def _words(name: str) -> str:
    return "the generator" if name == GENERATOR else part_words(name)


@on_one_core
def noise_floor(amp: Amp, *, jack: str | None = None, source_ohms: float = SOURCE_OHMS) -> NoiseFloor:
    """Noise at the output, controls as they are set.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    source_ohms
        Resistance of the generator at the jack [Ω].

    Returns
    -------
    NoiseFloor
        Noise at the output and what each source adds.

    Raises
    ------
    SolveError
        The amp oscillates.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> bool(1e-6 < noise_floor(load_amp("teasel")).input_rms[0] < 3e-5)
    True
    """
    view = signal_view(amp, jack=jack, source_ohms=source_ohms)
    refuse_unstable(view.amp, view.stability)
    result = noise(view.point, view.output.a, BAND_HZ, to=view.output.b)
    x = respond(view.network, view.matrix, view.drive, np.array([2j * np.pi * 1000.0]))[:, 0]
    level = result.total_rms
    return NoiseFloor(
        view.amp, view.output.designator, level, level / np.abs(x @ view.out), noise=result, view=view
    )

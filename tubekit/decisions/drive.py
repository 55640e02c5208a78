"""What an amp has between its noise and its clipping."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.headroom import Headroom, headroom
from tubekit.amp.signal import NoiseFloor, noise_floor
from tubekit.amp.signal_view import SOURCE_OHMS
from tubekit.text import Printed, Table


@dataclass(frozen=True, eq=False, repr=False)
class DriveReport(Printed):
    """Headroom and noise floor of an amp at one setting of its controls."""

    headroom: Headroom
    noise: NoiseFloor

    json_keys = ("headroom", "noise", "signal_to_noise_db")

    @property
    def signal_to_noise_db(self) -> float:
        """Rated output over the noise floor [dB]; NaN where the run did not reach rated output."""
        return float(20 * np.log10(self.headroom.rated_rms / self.noise.output_rms[0]))

    def headline(self) -> str:
        """Clipping and signal to noise in one sentence."""
        ratio = self.signal_to_noise_db
        words = f". Noise is {ratio:.0f} dB below the power at 5 % distortion" if np.isfinite(ratio) else ""
        return f"{self.headroom.headline()}{words}"

    def tables(self) -> list[Table]:
        """Headroom first, then noise."""
        return [*self.headroom.tables(), *self.noise.tables()]

    def short(self) -> list[Table]:
        """Stages that clip first, output against drive, the largest noise."""
        noise = self.noise.table("noise")
        return [*self.headroom.short(), replace(noise, rows=noise.rows[:2])]


def drive_report(
    amp: Amp, *, jack: str | None = None, frequency_hz: float = 1000.0, source_ohms: float = SOURCE_OHMS
) -> DriveReport:
    """Order of clipping, sensitivity and noise floor of an amp.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    frequency_hz
        Frequency of the drive [Hz].
    source_ohms
        Resistance of the generator at the jack [Ω].

    Returns
    -------
    DriveReport
        Which stage clips first, sensitivity, power, noise.

    Raises
    ------
    ChangeError
        A batch; no input jack or no output.
    SolveError
        The amp oscillates.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> bool(30 < drive_report(load_amp("teasel")).signal_to_noise_db < 90)
    True
    """
    result = headroom(amp, jack=jack, frequency_hz=frequency_hz, source_ohms=source_ohms)
    return DriveReport(result, noise_floor(amp, jack=jack, source_ohms=source_ohms))

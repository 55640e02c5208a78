"""What the controls of an amp do to its response, at any setting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.signal import SPAN_HZ
from tubekit.amp.signal_tables import PRINTED_HZ
from tubekit.amp.signal_view import SOURCE_OHMS, SignalView, gain_at, signal_view, turned
from tubekit.circuit.newton import on_one_core
from tubekit.errors import ChangeError
from tubekit.result_fields import Array, evenly
from tubekit.text import Column, Printed, Table, quantity


@dataclass(frozen=True, eq=False, repr=False)
class ControlFamily(Printed):
    """Responses of one amp at several settings of its controls; a member that oscillates is NaN."""

    amp: Amp
    jack: str
    settings: Mapping[str, Array]
    frequencies_hz: Array = quantity("Hz", "f", "(K,)")
    gain: Array = quantity("", "A", "gain from jack to speaker, by setting and frequency")
    view: SignalView = field(repr=False, kw_only=True)

    json_keys = ("amp=amp.title", "settings", "frequencies_hz", "gain_db")

    @property
    def gain_db(self) -> Array:
        """20 log |gain| [dB], (N, K)."""
        with np.errstate(divide="ignore"):
            return np.asarray(20 * np.log10(np.abs(self.gain)))

    def headline(self) -> str:
        """Names of the controls, and the number of settings."""
        return f"{self.amp.title}, {self.jack}: {len(self.gain)} settings of {', '.join(self.settings)}"

    def tables(self) -> list[Table]:
        """Gain at octave centres, one column per setting (at most eleven)."""
        some = evenly(len(self.gain), 11)
        near = [int(np.argmin(np.abs(np.log(self.frequencies_hz / hz)))) for hz in PRINTED_HZ]
        rows = [(float(self.frequencies_hz[k]), *self.gain_db[some, k]) for k in dict.fromkeys(near)]
        heads = [Column(self._setting(j), "dB", format=".1f") for j in some]
        return [Table("Gain at each setting", (Column("f", "Hz"), *heads), rows)]

    def _setting(self, member: int) -> str:
        return " ".join(f"{name} {100 * values[member]:.0f} %" for name, values in self.settings.items())


@on_one_core
def control_family(
    amp: Amp,
    settings: Mapping[str, Array | Sequence[float]],
    *,
    jack: str | None = None,
    frequencies_hz: Array | Sequence[float] | None = None,
    source_ohms: float = SOURCE_OHMS,
) -> ControlFamily:
    """Responses at many settings of the controls, supply and idle point solved once.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    settings
        Designator of a control to its positions, 0 to 1; all sequences of one length.
    jack
        Designator of the driven input jack, as for `signal_path`.
    frequencies_hz
        (K,) above zero; as for `signal_path` when not given.
    source_ohms
        Resistance of the generator [Ω].

    Returns
    -------
    ControlFamily
        One response for each setting.

    Raises
    ------
    ChangeError
        No control named, no such control, positions out of range or of unlike length.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> treble = control_family(load_amp("teasel"), {"R33": [0.0, 0.5, 1.0]}, frequencies_hz=[5000.0])
    >>> bool(np.all(np.diff(treble.gain_db[:, 0]) > 0))
    True
    """
    if not settings:
        raise ChangeError(
            "no control is given", where=amp.name, fix=f"Choose one or more of: {', '.join(controls(amp))}"
        )
    given = {name: np.atleast_1d(np.asarray(values, float)) for name, values in settings.items()}
    view = turned(signal_view(amp, jack=jack, source_ohms=source_ohms), given)
    wanted = SPAN_HZ if frequencies_hz is None else np.atleast_1d(np.asarray(frequencies_hz, float))
    gain = np.where(view.stability.stable[:, None], gain_at(view, wanted), np.nan)
    return ControlFamily(amp, view.jack.designator, given, wanted, gain, view=view)


def controls(amp: Amp) -> dict[str, str]:
    """Designator and role of every control: potentiometers and L-pads.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> controls(load_amp("teasel"))
    {'R31': 'volume', 'R32': 'bass', 'R33': 'treble'}
    """
    return {
        part.designator: part.role or part.designator
        for part in amp.parts.values() if part.is_control
    }  # fmt: skip

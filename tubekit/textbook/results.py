"""One flat answer for any textbook circuit."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from tubekit.analyses.large_signal import LargeSignal, large_signal
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.operating_point import OperatingPoint, operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import Circuit, Device
from tubekit.circuit.reduction import solve_linear
from tubekit.errors import InputError
from tubekit.text import Printed, Table, fields_of, headed, quantity
from tubekit.textbook.circuit import TextbookCircuit

Value = float | npt.NDArray[np.float64]
NAN = float("nan")


@dataclass(frozen=True, eq=False, repr=False)
class TextbookResult(Printed):
    """What a textbook circuit does; NaN where a figure does not apply. Floats, or (N,) for a batch.

    Currents are those of all tubes together, as handbooks print them. 'At full drive' is with the signal
    that the circuit carries, by its own choice the grid's peak at the cathode's voltage.
    """

    title: str
    plate_a: Value = quantity("A", "Ip", "idle plate current", default=NAN)
    screen_a: Value = quantity("A", "Ig2", "idle screen current", default=NAN)
    cathode_v: Value = quantity("V", "Vk", "cathode of the first tube to ground, idle", default=NAN)
    gain: Value = quantity("", "A", "small-signal voltage gain, its size", default=NAN)
    drive_v: Value = quantity("V", "E", "peak of the signal at full drive", default=NAN)
    output_rms: Value = quantity("V", "Vo", "output at full drive, fundamental, RMS", default=NAN)
    power_w: Value = quantity("W", "P", "into the load at full drive", default=NAN)
    thd_pct: Value = quantity("%", "D", "total harmonic distortion at full drive", default=NAN)
    plate_full_a: Value = quantity("A", "Ip", "mean plate current at full drive", default=NAN)
    screen_full_a: Value = quantity("A", "Ig2", "mean screen current at full drive", default=NAN)
    dc_v: Value = quantity("V", "Vdc", "mean voltage of the supply", default=NAN)
    ripple_rms: Value = quantity("V", "Vr", "ripple of the supply, RMS", default=NAN)
    rectifier_peak_a: Value = quantity("A", "Ipk", "peak current of one rectifier plate", default=NAN)

    def headline(self) -> str:
        """What was worked out."""
        return f"{self.title}, worked"

    def tables(self) -> list[Table]:
        """The figures that apply."""
        docs = {entry.name: entry for entry in fields_of(self)}
        rows = [
            (docs[f.name].doc, docs[f.name].symbol, (getattr(self, f.name), docs[f.name].unit))
            for f in fields(self)
            if f.name in docs and not np.all(np.isnan(getattr(self, f.name)))
        ]
        return [Table("", headed("quantity", "symbol", "value"), rows)]


def solve(circuit: Circuit) -> TextbookResult:
    """Work out a textbook circuit: rest and gain, full drive of a tube stage, DC and ripple of a supply.

    Parameters
    ----------
    circuit
        One that a function of this room made.

    Returns
    -------
    TextbookResult
        Idle and gain, full drive of a tube stage, DC and ripple of a supply.

    Raises
    ------
    InputError
        Not a circuit of this room.
    SolveError
        A single circuit that does not settle.

    Examples
    --------
    >>> from tubekit import textbook
    >>> print(textbook.solve(textbook.three_control(treble=1.0)))
    three-control tone network, worked
    <BLANKLINE>
    quantity                             symbol  value
    ──────────────────────────────────────────────────
    small-signal voltage gain, its size  A       0.350
    """
    if not isinstance(circuit, TextbookCircuit):
        raise InputError(
            "this works for textbook circuits only",
            fix="For another circuit use operating_point or large_signal",
        )
    if circuit.purpose == "supply":
        return _supply(circuit)
    point = operating_point(circuit)
    one = point.network.batch is None
    if circuit.purpose == "network":
        response = frequency_response(point, circuit.input, circuit.output[:1], [circuit.frequency_hz])
        return TextbookResult(circuit.title, gain=_plain(np.abs(response.gain[:, 0, 0]), one))
    result = {"gain": _plain(_gain(point, circuit), one), **_rest(point, circuit, one)}
    solved = large_signal(circuit, frequency_hz=circuit.frequency_hz)
    return TextbookResult(circuit.title, **result, **_driven(solved, circuit, one))


def _plain(values: npt.NDArray[np.float64], one: bool) -> Value:
    return float(values[0]) if one else values


def _gain(point: OperatingPoint, circuit: TextbookCircuit) -> npt.NDArray[np.float64]:
    """The signals as drawn, on the circuit with its tubes as slopes."""
    network = point.network
    matrix = linearised(network, list(point.slopes)) + 2j * np.pi * circuit.frequency_hz * network.storage
    x = solve_linear(network, matrix, network.ac[..., None].astype(complex))[..., 0]
    first, against = (network.pick(x, node) for node in circuit.output)
    return np.asarray(np.abs(first - against) / np.abs(network.pick(x, circuit.input)))


def _rest(point: OperatingPoint, circuit: TextbookCircuit, one: bool) -> dict[str, Value]:
    totals = {terminal: _total(point, terminal) for terminal in ("plate", "screen")}
    cathode = circuit.of(Device)[0].cathode
    return {
        "plate_a": _plain(totals["plate"], one), "screen_a": _plain(totals["screen"], one),
        "cathode_v": point.volts(cathode),
    }  # fmt: skip


def _total(point: OperatingPoint, terminal: str) -> npt.NDArray[np.float64]:
    """Current into one kind of terminal of all sections; NaN where there is none."""
    columns = [k for k, (_, port) in enumerate(point.network.port_names) if port == terminal]
    if not columns:
        return np.full(point.network.size, np.nan)
    return np.asarray(point.port_currents[:, columns].sum(axis=1))


def _driven(solved: LargeSignal, circuit: TextbookCircuit, one: bool) -> dict[str, Value]:
    names = solved.idle.network.port_names
    result = {
        "drive_v": np.abs(solved.harmonics(circuit.input)[:, 1]),
        "output_rms": np.abs(solved.harmonics(*circuit.output)[:, 1]) / np.sqrt(2.0),
        "thd_pct": solved.thd_percent(*circuit.output),
        "plate_full_a": np.sum([solved.mean_current(n) for n, port in names if port == "plate"], axis=0),
    }
    if any(port == "screen" for _, port in names):
        result["screen_full_a"] = np.sum(
            [solved.mean_current(n, "screen") for n, port in names if port == "screen"], axis=0
        )
    if circuit.purpose == "output stage":
        result["power_w"] = solved.power_w(circuit.load)
    return {name: _plain(values, one) for name, values in result.items()}


def _supply(circuit: TextbookCircuit) -> TextbookResult:
    state = mains_steady_state(circuit, frequency_hz=circuit.frequency_hz)
    one = state.operating_point.network.batch is None
    return TextbookResult(
        circuit.title,
        dc_v=_plain(state.mean(*circuit.output), one),
        ripple_rms=_plain(state.ripple_rms(*circuit.output), one),
        rectifier_peak_a=_plain(state.rectifier_currents.max(axis=(1, 2)), one),
    )  # fmt: skip

"""A law fitted to someone's own points: what was found, how surely, and what was taken as usual."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tubekit.devices.law import FloatArray, ParameterLaw
from tubekit.devices.points import Points
from tubekit.devices.tube_record import Ratings, Tube
from tubekit.files import writable, write_whole
from tubekit.text import Column, Printed, Table, headed, quantity
from tubekit.units import show

FITTED, AT_BOUND, OPEN, ASSUMED = "fitted", "at a bound", "open: as usual", "assumed"


MEANINGS = {
    "perveance": "current scale", "mu": "amplification factor", "mu_screen": "mu, grid to screen",
    "mu_plate": "mu, grid to plate", "exponent": "curvature", "offset": "contact potential, V",
    "softness": "rounding at cut-off, V", "unevenness": "uneven pitch of the grid",
    "share": "screen's part of the current", "share_drive": "change of that part with drive",
    "share_fall": "fall of that part with plate voltage", "knee": "knee voltage, per volt of drive",
    "knee_sharpness": "sharpness of the knee", "grid_perveance": "grid current scale",
    "grid_offset": "start of grid current, V", "grid_softness": "rounding of grid current, V",
    "gate": "voltage below which collection stops, V",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class FittedParameter:
    """One parameter of the law with its 95 % interval; NaN ends where it was not fitted.

    `state` says whether the points gave it, a bound stopped it, the points leave it open (it was then
    taken from the tube it is like, or from what is usual), or it was assumed from the start.
    """

    name: str
    value: float
    low: float
    high: float
    state: str


@dataclass(frozen=True, eq=False, repr=False)
class TubeFit(Printed):
    """The answer of `fit_tube`: a `Tube` to be used like any other, and how well it meets the points."""

    tube: Tube
    points: Points = field(repr=False)
    parameters: tuple[FittedParameter, ...]
    plate_law_a: FloatArray = quantity("A", "Ip", "plate current of the law at each point, (n,)")
    screen_law_a: FloatArray | None = quantity("A", "Ig2", "screen current of the law, (n,) or None")
    rms_a: float = quantity("A", "", "root mean square of the plate current's error")

    json_keys = (
        "type=tube.type", "kind=tube.kind", "points=points.count", "source=points.source", "rms_a",
        "law=tube.law.parameters", "parameters", "at_bound", "left_open", "plate_error_a=error_a",
        "screen_error_a",
    )  # fmt: skip

    @property
    def error_a(self) -> FloatArray:
        """Law minus measured plate current [A], (n,)."""
        return np.asarray(self.plate_law_a - self.points.plate_a)

    @property
    def screen_error_a(self) -> FloatArray | None:
        """Law minus measured screen current [A], None where it was not measured."""
        if self.points.screen_a is None or self.screen_law_a is None:
            return None
        return np.asarray(self.screen_law_a - self.points.screen_a)

    @property
    def at_bound(self) -> tuple[str, ...]:
        """Parameters that ended at a bound: the points want more of them than a law of the kind can mean."""
        return tuple(p.name for p in self.parameters if p.state == AT_BOUND)

    @property
    def left_open(self) -> tuple[str, ...]:
        """Parameters that the points say nothing useful about."""
        return tuple(p.name for p in self.parameters if p.state == OPEN)

    def headline(self) -> str:
        """Type, points and error in one sentence."""
        points, share = self.points, 100.0 * self.rms_a / float(self.points.plate_a.max())
        return (
            f"{self.tube.type}: a {self.tube.kind} fitted to {points.count} points of {points.source}, "
            f"{show(self.rms_a, 'A')} RMS error ({share:.1f} % of the largest current)."
        )

    def tables(self) -> list[Table]:
        """Parameters with intervals, then the points that lie farthest off."""
        columns = headed("parameter", "meaning", "value", "low", "high", "where from")
        rows = [
            (p.name, MEANINGS[p.name], _figures(p.value), _figures(p.low), _figures(p.high), p.state)
            for p in self.parameters
        ]
        note = (
            "These are parameters for the tube file; nothing to read off at the bench. "
            "Low to high: 95 % intervals, from the scatter of the points about the model."
        )
        if self.at_bound:
            note += f" At the end of its range: {', '.join(self.at_bound)} (check the units of your points)."
        return [Table("Parameters", columns, rows, note), self._farthest()]

    def _farthest(self) -> Table:
        p, error = self.points, self.error_a
        names = ["plate", "grid"] if p.screen_v is None else ["plate", "screen", "grid"]
        order = np.argsort(-np.abs(error), kind="stable")[:8]
        rows = [
            (int(k) + 1, *(float(getattr(p, f"{n}_v")[k]) for n in names), float(p.plate_a[k]),
             float(self.plate_law_a[k]), 1e3 * float(error[k]))
            for k in order
        ]  # fmt: skip
        columns = (
            Column("point"), *(Column(name, "V") for name in names), Column("measured", "A"),
            Column("model", "A"), Column("error", "mA", format="+.3f"),
        )  # fmt: skip
        return Table("Worst points", columns, rows)

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the tube to a TOML file that `add_tube` and TUBEKIT_TUBES take; all of it or nothing.

        Raises
        ------
        RecordError : the file is there already and `overwrite` is not said, or it cannot be written.
        """
        path = writable(path)
        path = path if path.suffix else path.with_suffix(".toml")
        write_whole(path, "\n".join(self._lines()).encode(), overwrite=overwrite)
        return path

    def _lines(self) -> Iterator[str]:
        tube = self.tube
        yield f"# {tube.type}: fitted to {self.points.count} measured points of {self.points.source}."
        yield ""
        for name in ("type", "kind", "title", "base", "sections", "known", "notes"):
            yield f"{name} = {json.dumps(getattr(tube, name), ensure_ascii=False)}"
        yield from ("", "[pins]", *(f"{json.dumps(n)} = {json.dumps(pin)}" for n, pin in tube.pins.items()))
        if tube.heater_volts and tube.heater_amps:
            yield from (
                "",
                "[heater]",
                f'volts = "{tube.heater_volts:g} V"',
                f'amps = "{tube.heater_amps:g} A"',
            )
        yield from ("", *_rating_lines(tube.ratings), "", "[capacitances]")
        yield from (f'{name} = "{farads * 1e12:g} pF"' for name, farads in tube.capacitances.items())
        at = [
            {n: float(getattr(self.points, f"{n}_v")[k]) for n in tube.law.terminals}
            for k in range(self.points.count)
        ]
        yield from ("", *law_lines(tube.law), "", *valid_lines(at), "", "[fit.assumed]")
        yield from (f"{p.name} = {p.value:.6g}" for p in self.parameters if p.state == ASSUMED)
        yield from (
            "",
            "[left]",
            f"usual = {json.dumps(self.left_open)}",
            f"at_bound = {json.dumps(self.at_bound)}",
            "",
        )


def _rating_lines(ratings: Ratings) -> Iterator[str]:
    yield "[ratings]"
    for name, entry in ratings.__dataclass_fields__.items():
        value = getattr(ratings, name)
        if value not in (None, ""):
            written = f"{value:g} {entry.metadata['unit']}" if entry.metadata else value
            yield f"{name} = {json.dumps(written, ensure_ascii=False)}"


def _figures(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.4g}"


def law_lines(law: ParameterLaw) -> Iterator[str]:
    """The [law] table."""
    yield "[law]"
    for name, value in law.parameters().items():
        yield f"{name} = {float(value):.6g}"


def valid_lines(at: Sequence[Mapping[str, float]]) -> Iterator[str]:
    """The [valid] table: range of the voltages of the rows that were used."""
    yield "[valid]  # voltages to cathode of the rows that were used [V]"
    for name in ("plate", "screen", "grid"):
        volts = [each[name] for each in at if name in each]
        if volts:
            yield f"{name} = [{min(volts):g}, {max(volts):g}]"

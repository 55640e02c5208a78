"""Every figure from outside beside what is calculated here: one list, for the page and for the tests.

Figures are those of data/handbook and of the tubes' own files; each has its source and status. What misses
its limit is listed with the reason (`data/tubes/known_misses.csv`), never left out.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from tubekit.analyses.mains import SAMPLES, MainsState, mains_steady_state
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Part, Rectifier, Resistor, VoltageSource
from tubekit.devices import IdealDiode, TubeDiode, tube
from tubekit.devices.output_stage import Coupled, OutputStage
from tubekit.devices.published import residuals, rows_for
from tubekit.devices.tube_files import fit_plan, fitted_types
from tubekit.files import data_file
from tubekit.references import STATUSES
from tubekit.tables import Row, handbook
from tubekit.text import Printed, Table, described, headed, quantity
from tubekit.textbook.supplies import capacitor_input
from tubekit.textbook.tone import three_control

Array = npt.NDArray[np.float64]
HZ, PEAK, LOAD = 60.0, 100.0, 1e4
KINDS = ("half", "full")
CURVES = {
    "Edc_over_Epk": ("mean", 1.0, 0.01), "ripple_rms_percent_of_Edc": ("ripple", 0.01, 0.02),
    "Ipeak_over_Idc_per_plate": ("peak current", 1.0, 0.01),
    "Irms_over_Idc_per_plate": ("RMS current", 1.0, 0.02),
}  # fmt: skip
"""Columns of schade_computed: what they are, their scale, and how closely they are to be met."""
TONE_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
FIGURES = {
    "plate": "plate current", "screen": "screen current", "grid": "grid current",
    "stage_plate": "plate current", "chart_plate": "plate current", "full_plate": "plate current, driven",
    "full_screen": "screen current, driven", "idle_plate": "plate current, idle",
    "idle_screen": "screen current, idle", "onset": "output at grid current",
}  # fmt: skip
"""Figures of a tube's rows in words, where their name is not the word."""
SURE = 0.75
"""Confidence from which a rectifier's row is to be met within 3 %; the others within 6 %."""
SUDDEN = (
    "the charging pulse is over within one of the samples that amps are calculated with; 2,048 samples "
    "meet it, and no amp is near this row"
)
POINTS = {"%": "points", "dB": "dB"}
"""Units whose difference is not taken relative to the value."""


@dataclass(frozen=True)
class Check:
    """One figure from outside and the same figure calculated."""

    about: str = quantity(label="what")
    row: str = quantity(label="row")
    figure: str = quantity(label="figure")
    expected: float = quantity(label="expected")
    computed: float = quantity(label="calculated")
    unit: str = quantity(label="unit")
    limit: float = quantity(doc="largest difference, as a share; in points and dB as such")
    status: str = quantity(label="status")
    source: str = quantity(label="source")
    unseen: float | None = None
    """The same difference of a law whose fit left the row out; None where there is no fit, or none saved."""
    why: str = ""

    @property
    def difference(self) -> float:
        """Of the value, as a share; of per cents and decibels the difference itself."""
        off = self.computed - self.expected
        return float(off if self.unit in POINTS else off / self.expected)

    @property
    def met(self) -> bool:
        """Whether the difference is within its limit (rounding of the last digit left aside)."""
        return abs(self.difference) <= self.limit + 1e-9

    @described(label="expected")
    def printed(self) -> tuple[float, str]:
        """The figure from outside, with its unit."""
        return self.expected, self.unit

    @described(label="calculated")
    def found(self) -> tuple[float, str]:
        """The calculated figure, with its unit."""
        return self.computed, self.unit

    @described(label="difference")
    def off(self) -> str:
        """The difference in words."""
        return self._worded(self.difference)

    @described(label="unseen")
    def off_unseen(self) -> str:
        """The difference where the fit left the row out."""
        return "" if self.unseen is None else self._worded(self.unseen)

    @described(label="limit")
    def most(self) -> str:
        """The limit in words."""
        return self._worded(self.limit).lstrip("+")

    def _worded(self, value: float) -> str:
        if self.unit == "dB":
            return f"{value:+z.3f} dB"
        return f"{value:+z.1f} points" if self.unit in POINTS else f"{100 * value:+z.1f} %"


@dataclass(frozen=True, eq=False, repr=False)
class Accuracy(Printed):
    """All checks, by what they are about and by source; misses with their reason."""

    checks: tuple[Check, ...]

    @property
    def missed(self) -> tuple[Check, ...]:
        """What is outside its limit, the farthest first."""
        off = [check for check in self.checks if not check.met]
        return tuple(sorted(off, key=lambda check: -abs(check.difference) / check.limit))

    def headline(self) -> str:
        """How many figures are met."""
        met = len(self.checks) - len(self.missed)
        return (
            f"{met} of {len(self.checks)} figures from outside sources are within their limit; "
            f"{len(self.missed)} miss it. Real tubes and parts differ more than this."
        )

    def tables(self) -> list[Table]:
        """Summaries, what is missed and why, then every check."""
        about = dict.fromkeys(check.about for check in self.checks)
        missed = ("row", "figure", "printed", "found", "off", "most", "why")
        return [
            self._summary("By kind and status", "what", "about", "status", key="status"),
            self._summary("By source", "source", "source", "status", key="source"),
            self._unseen(),
            Table.of("Missed", self.missed, *missed, key="missed"),
            *(self._every(kind) for kind in about),
        ]

    def _every(self, about: str) -> Table:
        checks = [check for check in self.checks if check.about == about]
        names = ["row", "figure", "printed", "found", "off", "off_unseen", "most", "met", "status", "source"]
        if all(check.unseen is None for check in checks):
            names.remove("off_unseen")
        note, one = "", checks[0]
        if len({(check.source, check.status) for check in checks}) == 1:
            names, note = names[:-2], f"All {one.status}: {one.source}."
        return Table.of(f"Every check: {about}", checks, *names, note=note, key=about)

    def short(self) -> list[Table]:
        """By kind and status, then the worst misses."""
        return [self.table("status"), self.table("missed").only("row", "figure", "difference", "limit")]

    def _summary(self, title: str, head: str, *names: str, key: str) -> Table:
        groups: dict[tuple[str, ...], list[Check]] = {}
        for check in self.checks:
            groups.setdefault(tuple(getattr(check, name) for name in names), []).append(check)
        rows = []
        for words, group in groups.items():
            middle = np.median([abs(c.difference) / c.limit for c in group])
            worst = max(group, key=lambda c: abs(c.difference) / c.limit)
            met = sum(c.met for c in group)
            rows.append((*words, len(group), met, len(group) - met, 100.0 * middle, worst.off))
        heads = headed(
            head, "status", "figures", "met", "missed", "median [% of limit] .0f", "worst [] >"
        )  # fmt: skip
        return Table(title, heads, rows, key=key)

    def _unseen(self) -> Table:
        rows = []
        for about in dict.fromkeys(check.about for check in self.checks):
            of = [c for c in self.checks if c.about == about and c.unseen is not None]
            pairs = ([c.difference for c in of], [c.unseen for c in of])
            cells: list[float] = []
            for off in pairs if of else ():
                share = np.abs(np.array(off, float)) / [c.limit for c in of]
                cells += [100.0 * float(np.mean(share <= 1.0)), 100.0 * float(np.median(share))]
            if of:
                rows.append((about, len(of), *cells))
        heads = headed("what", "figures", "seen, met [%] .0f", "seen, median [% of limit] .0f",
                       "unseen, met [%] .0f", "unseen, median [% of limit] .0f")  # fmt: skip
        note = "Unseen: the same figure by a law whose fit left that row out."
        return Table("Seen and unseen by the fit of the tube", heads, rows, note, "unseen")


@cache
def accuracy() -> Accuracy:
    """Calculate every figure of the handbook that this package can, beside its printed value.

    Returns
    -------
    Accuracy
        Every check, with its source, status and difference; what is missed has its reason.

    Examples
    --------
    >>> sorted({check.status for check in accuracy().checks})
    ['computed', 'memory', 'printed', 'second-hand']
    """
    return Accuracy((*tube_checks(), *rectifier_checks(), *curve_checks(), *tone_checks()))


def tube_checks(types: Iterable[str] = ()) -> Iterator[Check]:
    """Rows of the handbook, and those a tube's file recalls, by the tube's own law."""
    # What `tests.benchmarks.unseen` saved of each row that a fit left out.
    unseen = {(row["row"], row["quantity"]): float(row["unseen"]) for row in _beside_tubes("unseen.csv")}
    for type_ in types or fitted_types():
        rows = rows_for(fit_plan(type_))
        by_label = {row.label: row for row in rows}
        for each in residuals(tube(type_).law, rows):
            row, name = by_label[each.row], each.quantity
            percent = name == "distortion"
            about = "output stages" if isinstance(row.stage, OutputStage) else "tube curves"
            about = "resistance-coupled stages" if isinstance(row.stage, Coupled) else about
            scale = 100.0 if percent else 1.0
            blind = unseen.get((each.row, name))
            words = FIGURES.get(name, name)
            why = next((reason for _, reason in known_misses(each.row, name)), "")
            yield Check(
                about, each.row, words, scale * each.published, scale * each.law,
                "%" if percent else each.unit, scale * row.tolerance(name), _status(each.status),
                each.source, None if blind is None else scale * blind, why,
            )  # fmt: skip


def known_misses(row: str, quantity: str) -> list[tuple[float, str]]:
    """Limit, as a share, and reason of each miss that is known of a figure.

    The limit is what was measured, rounded up: a law that gets worse fails its test.
    """
    return [
        (float(miss["limit"]), miss["reason"])
        for miss in _beside_tubes("known_misses.csv")
        if row.startswith(miss["row"]) and miss["quantity"] == quantity
    ]


@cache
def _beside_tubes(file: str) -> list[dict[str, str]]:
    with data_file("tubes", file).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def _status(words: str) -> str:
    return next((each for each in STATUSES if words.startswith(each)), words)


def rectifier_checks() -> Iterator[Check]:
    """Rows of rectifier tubes into a capacitor, from the rated drop alone."""
    for row, volts in rectifier_outputs():
        label = f"{row['tube']} {row['Vac_rms_per_plate']:g} V, {row['Idc_mA']:g} mA, {row['f_Hz']:g} Hz"
        sure = row.confidence is not None and row.confidence >= SURE
        yield Check(
            "rectifier tubes", label, "DC volts", row.number("Vdc_out"), volts, "V",
            0.03 if sure else 0.06, _status(row.status), row.source,
        )  # fmt: skip


@cache
def rectifier_outputs() -> tuple[tuple[Row, float], ...]:
    """Each row of rectifier_operation with a capacitor and known source resistance, and its DC volts."""
    known = [r for r in handbook("rectifier_operation", input="C") if r["Rs_per_plate_ohm"] is not None]
    result: list[tuple[Row, float]] = []
    for hertz in sorted({row.number("f_Hz") for row in known}):
        rows = [row for row in known if row.number("f_Hz") == hertz]
        volts, ohms, microfarads, milliamperes = (
            np.array([row.number(name) for row in rows])
            for name in ("Vac_rms_per_plate", "Rs_per_plate_ohm", "C_uF_or_L_H", "Idc_mA")
        )
        circuit = capacitor_input(
            TubeDiode(perveance=np.array([perveance(row) for row in rows])), secondary_rms=volts,
            source_resistance=ohms, reservoir=microfarads * 1e-6, load_current=milliamperes / 1e3,
            frequency_hz=hertz,
        )  # fmt: skip
        mean = mains_steady_state(circuit, frequency_hz=hertz).mean("b_plus")
        result += zip(rows, map(float, mean), strict=True)
    return tuple(result)


def perveance(row: Row) -> float:
    """From the rated drop of the type [A/V^1.5]; a few types are listed there under two names."""
    types = [r for r in handbook("rectifier_ratings") if row.text("tube") in r.text("tube").split("/")]
    drop, amps = types[0].number("drop_V"), types[0].number("at_mA_per_plate") / 1000
    return float(np.asarray(TubeDiode.from_drop(drop, amps).perveance))


def condenser_input(kind: str, percent: Array, omega_c_r: Array) -> Circuit:
    """Ideal rectifiers, half or full wave, with a resistance in series, into a capacitor and a load."""
    ohms, farads = LOAD * percent / 100, omega_c_r / (2 * np.pi * HZ * LOAD)
    parts: list[Part] = [Capacitor("C", "b", GROUND, farads), Resistor("RL", "b", GROUND, LOAD)]
    for name, volts in [("1", PEAK), ("2", -PEAK)][: KINDS.index(kind) + 1]:
        parts += [
            VoltageSource("T" + name, "s" + name, GROUND, ac=volts),
            Resistor("R" + name, "s" + name, "a" + name, ohms),
            Rectifier("CR" + name, IdealDiode(), "a" + name, "b"),
        ]
    return Circuit(tuple(parts), f"{kind} wave")


def curve_readings(state: MainsState) -> Array:
    """Output, ripple, peak and effective plate current (4, N) in the terms of the charts."""
    mean, current = state.mean("b"), state.rectifier_currents
    per_plate = mean / LOAD / current.shape[1]
    rms = np.sqrt((current**2).mean(axis=(1, 2)))
    rows = [mean / PEAK, 100 * state.ripple_rms("b") / mean, current.max(axis=(1, 2)) / per_plate,
            rms / per_plate]  # fmt: skip
    return np.array(rows)


def curve_values(kind: str, *names: str) -> Array:
    """Columns of schade_computed for one kind of rectifier (columns, rows)."""
    return np.array(
        [[row.number(name) for row in handbook("schade_computed", circuit=kind)] for name in names]
    )


def curve_points(kind: str, samples: int = SAMPLES, keep: Array | slice = slice(None)) -> Array:
    """What is calculated for the rows of a kind (4, rows)."""
    percent, omega = (x[keep] for x in curve_values(kind, "Rs_over_RL_percent", "omegaC_RL"))
    state = mains_steady_state(condenser_input(kind, percent, omega), frequency_hz=HZ, samples=samples)
    return curve_readings(state)


def sudden(kind: str) -> npt.NDArray[np.bool_]:
    """Rows whose charging transient is over within one sample: no amp is among them."""
    percent, omega = curve_values(kind, "Rs_over_RL_percent", "omegaC_RL")
    return np.asarray(percent / 100 * omega / (2 * np.pi) < 1 / SAMPLES)


def curve_checks() -> Iterator[Check]:
    """The standard curves of capacitor-input supplies, all points, at the number of samples that amps use."""
    for kind in KINDS:
        few, found = sudden(kind), curve_points(kind)
        for k, row in enumerate(handbook("schade_computed", circuit=kind)):
            label = f"{kind} wave, Rs/RL {row['Rs_over_RL_percent']:g} %, ωCR {row['omegaC_RL']:g}"
            for place, (column, (name, scale, limit)) in enumerate(CURVES.items()):
                why = SUDDEN if few[k] and name == "peak current" else ""
                yield Check(
                    "capacitor-input curves", label, name, scale * row.number(column),
                    scale * float(found[place, k]), "", limit, _status(row.status), row.source, why=why,
                )  # fmt: skip


def tone_checks() -> Iterator[Check]:
    """The three-control network at every setting of the table."""
    for row in handbook("three_control_network"):
        turns = {"treble": row.number("treble"), "middle": row.number("mid"), "bass": row.number("bass")}
        circuit = three_control(treble=turns["treble"], middle=turns["middle"], bass=turns["bass"])
        found = frequency_response(operating_point(circuit), "in", ["out"], TONE_HZ).gain
        label = "three controls, " + ", ".join(f"{name} {turn:g}" for name, turn in turns.items())
        for hertz, gain in zip(TONE_HZ, found[0, :, 0], strict=True):
            yield Check(
                "tone networks", label, f"{hertz} Hz", row.number(f"dB_{hertz}Hz"),
                float(20 * np.log10(abs(gain))), "dB", 0.01, _status(row.status),
                "worked example W19: transfer function solved by symbols",
            )  # fmt: skip

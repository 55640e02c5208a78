"""Everything a record of a change should say, worked out in one go."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from tubekit.amp import Amp, analyze
from tubekit.amp.discharge import discharge
from tubekit.bench.bring_up import bring_up
from tubekit.bench.orders import order_list
from tubekit.bench.procedures import current_under_drive, hum_procedure
from tubekit.bench.suspects import LEAST, suspects
from tubekit.bench.trace import trace
from tubekit.decisions import SwapReport, swap
from tubekit.decisions.judge import judge
from tubekit.decisions.limits import limits
from tubekit.decisions.reading import Readings
from tubekit.decisions.tone import tone_change
from tubekit.errors import RecordError, TubekitError
from tubekit.text import Printed, Table, headed

Progress = Callable[[int, int], None]
SHEETS: Mapping[str, tuple[str, Callable[[Amp], Printed]]] = MappingProxyType({
    "up": ("first power-up on a variable transformer", bring_up),
    "lamp": ("first power-up through a light-bulb limiter", lambda amp: bring_up(amp, in_series=True)),
    "trace": ("tracing a signal", trace),
    "drive": ("current under drive", current_under_drive),
    "hum": ("hum balance", hum_procedure),
})  # fmt: skip
"""Procedures that a record can hold for the bench: what they are called, and how they are worked out."""


DISCHARGE, TONE, ORDERS = "voltage left after switch-off", "tone", "order list"


@dataclass(frozen=True, eq=False, repr=False)
class LeftOut(Printed):
    """A section that could not be made; it keeps its place in the record and says why."""

    section: str
    why: str

    def headline(self) -> str:
        """Name what is missing and why; of the charge, what that means for the hands."""
        text = f"NOT CALCULATED: {self.section}. {self.why}"
        if self.section == DISCHARGE:
            text += " Treat every filter capacitor as charged: discharge each one through a resistor, then "
            text += "check with a meter."
        return text

    def tables(self) -> list[Table]:
        """The reason, so that it is not lost among the numbers either."""
        return [Table("", headed("not calculated", "why"), [(self.section, self.why)])]


@dataclass(frozen=True, eq=False)
class RecordResults:
    """The amp decided on and the results on it in the order of a record."""

    amp: Amp
    results: tuple[Printed, ...]

    @property
    def left_out(self) -> tuple[LeftOut, ...]:
        """Sections that could not be made, each with its reason; they are among the results."""
        return tuple(one for one in self.results if isinstance(one, LeftOut))


def record_results(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    *,
    mains_rms: float | None = None,
    readings: Readings | None = None,
    sheets: Sequence[str] = (),
    progress: Progress | None = None,
) -> RecordResults:
    """The results a record of a decision holds.

    Swap, tone and the order list where something is changed, the report and its ratings where nothing is;
    the charge that stays after switch-off; with readings the verdict on each, and from three on the
    suspects.

    Parameters
    ----------
    amp
        As drawn or as it stands.
    changes
        Designator to new value or type, as for `swap`.
    mains_rms
        Line voltage to judge the change at [V rms], as for `swap`.
    readings
        Of `load_readings`, taken on `amp`.
    sheets
        Keys of `SHEETS`, procedures to take along to the bench.
    progress
        Called with (done, of) while suspects are worked out.

    Returns
    -------
    RecordResults
        The results, and what could not be calculated.

    Raises
    ------
    RecordError
        There is no such sheet.
    ChangeError
        A change that cannot be, or a sheet the amp has no use for.
    SolveError
        No idle state before or after.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> worked = record_results(load_amp("teasel"), {"R14": "330"})
    >>> [type(result).__name__ for result in worked.results]
    ['SwapReport', 'ToneChange', 'Discharge', 'OrderList']
    """
    for name in sheets:
        if name not in SHEETS:
            fix = f"Choose one of: {', '.join(SHEETS)}"
            raise RecordError(f"there is no sheet '{name}'", where=amp.name, fix=fix)
    base = amp if mains_rms is None else amp.changed({}, mains_rms=mains_rms)
    after = base.changed(changes or {})
    moved = changes or after.mains_rms != amp.mains_rms
    swapped = swap(amp, changes, mains_rms=mains_rms) if moved else None
    first: list[Printed] = _as_it_stands(base) if swapped is None else [swapped]
    result = [*first, *_others(base, after, changes or {}, swapped)]
    result += [SHEETS[name][1](after) for name in sheets]
    if readings is not None:
        result.append(judge(readings))
        if len(readings.readings) >= LEAST:
            result.append(suspects(readings, progress=progress))
    return RecordResults(after, tuple(result))


def _as_it_stands(amp: Amp) -> list[Printed]:
    report = analyze(amp)
    return [report, limits(report)]


def _others(
    base: Amp, after: Amp, changes: Mapping[str, object], swapped: SwapReport | None
) -> Iterator[Printed]:
    """What is of use beside the verdict; what an amp does not allow (no jack, nothing to buy) says so."""
    asked: list[tuple[str, Callable[[], Printed]]] = [(DISCHARGE, lambda: discharge(after))]
    if changes:
        asked.insert(0, (TONE, lambda: tone_change(base, changes)))
        asked.append((ORDERS, lambda: order_list(base, changes, swapped=swapped)))
    for name, work in asked:
        try:
            yield work()
        except TubekitError as error:
            yield LeftOut(name, str(error))

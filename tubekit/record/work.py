"""Everything a record of a change should say, worked out in one go."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from tubekit.amp import Amp, analyse
from tubekit.amp.discharge import discharge
from tubekit.bench.orders import order_list
from tubekit.bench.suspects import suspects
from tubekit.decisions import swap
from tubekit.decisions.judge import judge
from tubekit.decisions.limits import limits
from tubekit.decisions.reading import Readings
from tubekit.decisions.tone import tone_change
from tubekit.errors import TubekitError
from tubekit.text import Printed

FEWEST = 3
"""Fewer readings than this name no suspect."""
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Worked:
    """The amp decided on, the results on it in the order of a record, and what could not be worked out."""

    amp: Amp
    results: tuple[Printed, ...]
    left_out: tuple[str, ...] = ()


def worked_out(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    *,
    mains_rms: float | None = None,
    readings: Readings | None = None,
    progress: Progress | None = None,
) -> Worked:
    """The results a record of a decision holds.

    Swap, tone and the order list where something is changed, the report and its ratings where nothing is;
    the charge that stays after switch-off; with readings the verdict on each, and from three on the
    suspects.

    Parameters
    ----------
    amp : as drawn or as it stands.
    changes, mains_rms : as for `swap`.
    readings : of `load_readings`, taken on `amp`.
    progress : called with (done, of) while suspects are worked out.

    Raises
    ------
    ChangeError : a change that cannot be. SolveError : no idle state before or after.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> worked = worked_out(load_amp("teasel"), {"R14": "330"})
    >>> [type(result).__name__ for result in worked.results]
    ['SwapReport', 'ToneChange', 'Discharge', 'OrderList']
    """
    base = amp if mains_rms is None else amp.changed({}, mains_rms=mains_rms)
    after = base.changed(changes or {})
    moved = changes or after.mains_rms != amp.mains_rms
    first: list[Printed] = [swap(amp, changes, mains_rms=mains_rms)] if moved else _as_it_stands(base)
    failed: list[str] = []
    found = [*first, *_others(base, after, changes or {}, failed)]
    if readings is not None:
        found.append(judge(readings))
        if len(readings.readings) >= FEWEST:
            found.append(suspects(readings, progress=progress))
    return Worked(after, tuple(found), tuple(failed))


def _as_it_stands(amp: Amp) -> list[Printed]:
    report = analyse(amp)
    return [report, limits(report)]


def _others(base: Amp, after: Amp, changes: Mapping[str, object], failed: list[str]) -> Iterator[Printed]:
    """What is of use beside the verdict; what an amp does not allow (no jack, nothing to buy) is left out."""
    asked: list[tuple[str, Callable[[], Printed]]] = [("charge after switch-off", lambda: discharge(after))]
    if changes:
        asked.insert(0, ("tone", lambda: tone_change(base, changes)))
        asked.append(("order list", lambda: order_list(base, changes)))
    for name, work in asked:
        try:
            yield work()
        except TubekitError as error:
            failed.append(f"{name}: {error}")

"""Which part to change first against hum: each remedy is tried, one at a time, on the amp itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.build import HEATER_UNBALANCE, tubes
from tubekit.amp.hum import NOTHING_V, Hum, hum
from tubekit.amp.hum_balance import balance_control, hum_balance
from tubekit.amp.parts import GROUND, Capacitor
from tubekit.amp.report import analyze
from tubekit.amp.solve import SolvedAmp
from tubekit.decisions.compare import reservoirs
from tubekit.text import Printed, Table, headed
from tubekit.units import show

FACTOR = 2.0
"""Filter capacitors are tried at this multiple of what is fitted."""


@dataclass(frozen=True)
class Remedy:
    """One change and what it leaves of the hum; `gain_db` is positive where the amp gets quieter."""

    part: str
    what: str
    total_rms: float
    gain_db: float


HELPS_DB = 0.5
"""A remedy that lowers the hum by less is not named in the short answer [dB]; a bench meter shows no less."""


@dataclass(frozen=True, eq=False, repr=False)
class HumReport(Printed):
    """Hum at the output by source, and what each remedy would leave of it."""

    hum: Hum
    remedies: tuple[Remedy, ...]
    left_out: tuple[str, ...] = ()
    supply: SolvedAmp = field(repr=False, kw_only=True)

    json_keys = ("*hum", "remedies", "left_out")

    @property
    def first(self) -> Remedy | None:
        """The remedy that helps most; None where none helps by half a decibel."""
        best = max(self.remedies, key=lambda each: each.gain_db, default=None)
        return best if best is not None and best.gain_db >= 0.5 else None

    def headline(self) -> str:
        """The hum, and the part to change first."""
        best = self.first
        if np.all(self.hum.total_rms < NOTHING_V):
            return self.hum.headline()
        advice = (
            "no single part reduces it"
            if best is None
            else f"start with {best.what} ({-best.gain_db:+.1f} dB)"
        )
        return f"{self.hum.headline()}; {advice}"

    def tables(self) -> list[Table]:
        """Remedies first, then where the hum comes from."""
        rows = [(each.part, each.what, each.total_rms, -each.gain_db) for each in self.remedies]
        heads = headed("part", "try", "hum left [V] tiny", "change [dB] +.1f")
        note = "Each is tried alone. Other hum comes from magnetic fields, ground loops or bad joints."
        notes = "\n".join((*self.left_out, note))
        return [Table("What helps", heads, rows, note=notes, key="remedies"), *self.hum.tables()]

    def short(self) -> list[Table]:
        """Remedies that help, then the largest sources."""
        remedies, sources, *_ = self.tables()
        helps = [row for row in remedies.rows if row[-1] <= -HELPS_DB]
        some = replace(remedies, title=f"What helps ({HELPS_DB:g} dB or more)", rows=helps)
        return [some.only("try", "hum left", "change"), sources.only("source", "total", "relative to 1 W")]


def hum_report(amp: Amp, *, jack: str | None = None, unbalance: float = HEATER_UNBALANCE) -> HumReport:
    """Hum of an amp, and the part to change first.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    jack
        Designator of the driven input jack; the one drawn as plugged, or the first input, when not given.
    unbalance
        How much more one heater end couples into each tube than the other, as a share.

    Returns
    -------
    HumReport
        Hum by source, and what each part would change.

    Raises
    ------
    ChangeError
        A batch of amps.
    SolveError
        The amp oscillates or has no idle state.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> weak = load_amp("teasel").changed({"V3.emission": 0.7})
    >>> hum_report(weak).first.part
    'V3'
    """
    amp.refuse_batch()
    now = hum(amp, jack=jack, unbalance=unbalance)
    larger, strained = _filters(amp, now)
    trials = [*larger, *_renewed(amp)]
    tried = [*_tried(amp, now, trials, jack, unbalance), *_even_heaters(amp, now)]
    lines = list(strained)
    if balance_control(amp) is not None:
        turned = hum_balance(amp, jack=jack, unbalance=unbalance)
        if turned.works:
            what = f"{turned.control} set to {100 * turned.null:.0f} %"
            gain = float(20 * np.log10(now.total_rms[0] / turned.null_v))
            tried.append(Remedy(turned.control, what, turned.null_v, gain))
        if turned.bypassed or not turned.works:
            lines.append(f"{turned.control}: {turned.finding}.")
    remedies = tuple(sorted(tried, key=lambda each: -each.gain_db))
    return HumReport(now, remedies, tuple(lines), supply=now.view.solved)


def _even_heaters(amp: Amp, now: Hum) -> Iterator[Remedy]:
    """Each tube in turn replaced by one whose two heater ends couple alike."""
    for tube in tubes(amp):
        names = tuple(f"{section.name} heater" for section in tube.sections)
        own = [each.volts for each in now.sources if each.part.startswith(names)]
        if own:
            left = float(np.sqrt((np.abs(now.total - sum(own)) ** 2).sum(axis=1))[0])
            what = f"a {tube.designator} with less heater hum"
            yield Remedy(tube.designator, what, left, float(20 * np.log10(now.total_rms[0] / left)))


@dataclass(frozen=True)
class _Trial:
    part: str
    key: str
    value: float
    drawn: float
    what: str


def _filters(amp: Amp, now: Hum) -> tuple[list[_Trial], list[str]]:
    """Each filter capacitor doubled where its rectifier allows it, and what it does not allow, in words."""
    held = now.view.solved.held_nodes & amp.topology.fed.keys()
    trials = []
    for part in amp.parts.values():
        fitted = isinstance(part, Capacitor) and part.condition == "fitted"
        if fitted and GROUND in part.nodes and set(part.nodes) & held:
            assert isinstance(part, Capacitor)
            new = FACTOR * float(part.farads)
            what = f"{part.designator} {show(part.farads, 'F')} → {show(new, 'F')}"
            trials.append(_Trial(part.designator, part.designator, new, float(part.farads), what))
    if not trials:
        return [], []
    before, after = analyze(amp), analyze(amp.changed(_changes(trials)))
    strained = {}
    for k, trial in enumerate(trials):
        beyond = reservoirs(before, after, k)
        if beyond:
            strained[trial.part] = f"{trial.what} is left out: {'; '.join(beyond)}."
    return [each for each in trials if each.part not in strained], list(strained.values())


def _renewed(amp: Amp) -> Iterator[_Trial]:
    """Worn tubes replaced by new ones."""
    for tube in tubes(amp):
        if tube.emission < 0.98:
            what = f"a new {tube.designator} (the old one has {100 * float(tube.emission):.0f} % emission)"
            yield _Trial(tube.designator, f"{tube.designator}.emission", 1.0, float(tube.emission), what)


def _tried(
    amp: Amp, now: Hum, trials: list[_Trial], jack: str | None, unbalance: float
) -> tuple[Remedy, ...]:
    """All trials as one batch: member k has trial k fitted and the others as drawn."""
    if not trials:
        return ()
    left = hum(amp.changed(_changes(trials)), jack=jack, unbalance=unbalance).total_rms
    result: dict[str, Remedy] = {}
    for trial, volts in zip(trials, left, strict=True):
        gain = float(20 * np.log10(now.total_rms[0] / volts))
        if trial.part not in result or result[trial.part].gain_db < gain:
            result[trial.part] = Remedy(trial.part, trial.what, float(volts), gain)
    return tuple(result.values())


def _changes(trials: list[_Trial]) -> dict[str, list[float]]:
    """Trials as one batch."""
    changes: dict[str, list[float]] = {}
    for k, trial in enumerate(trials):
        changes.setdefault(trial.key, [trial.drawn] * len(trials))[k] = trial.value
    return changes

"""What one fault would make a meter show: the other way round, from the part to the readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts.faults import Age, Change, Fault
from tubekit.amp.settings import Settings
from tubekit.bench.fault_table import fault_settings
from tubekit.bench.faults import shown_with_fuses, single_faults, with_fault
from tubekit.decisions.population import variables, with_fault_ports
from tubekit.decisions.probe import QUANTITIES, MeterValues, Probe, Tone, plugged
from tubekit.errors import ChangeError, SolveError, near_matches
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, frozen_array, headed, quantity

SAME = 0.02
"""Readings that move by less than this fraction are told as unmoved."""


@dataclass(frozen=True, eq=False, repr=False)
class FaultPrediction(Printed):
    """Readings of the typical good amp and of the same amp with one fault, as a meter shows them.

    `free` are those with the fault without the meter's load; `opens` names the fuse that the fault opens:
    readings are then those with it open.
    """

    amp: Amp
    fault: Fault
    severity: str
    probes: tuple[Probe, ...]
    good: Array = quantity("", "", "readings without the fault")
    faulty: Array = quantity("", "", "readings with the fault")
    free: Array = quantity("", "", "readings with the fault and without meter loading")
    opens: str = ""

    @property
    def moved(self) -> tuple[int, ...]:
        """Places of the readings that the fault moves, as they stand in `probes`."""
        least = np.array([QUANTITIES[p.quantity].least for p in self.probes])
        far = np.abs(self.faulty - self.good) > SAME * np.abs(self.good) + least
        return tuple(int(k) for k in np.flatnonzero(far))

    def headline(self) -> str:
        """Number of readings that would show it."""
        how = f" ({self.severity})" if self.severity else ""
        head = f"{self.fault.words}{how}"
        if self.opens:
            head = f"{head} opens {self.opens}"
        count = len(self.moved)
        text = "none" if not count else "all" if count == len(self.probes) else str(count)
        return f"{head}: {text} of these {len(self.probes)} readings would change by more than 2 %."

    def tables(self) -> list[Table]:
        """Every reading without and with the fault."""
        columns = headed("reading", "good amp [] >", "with the fault [] >", "changes")
        rows = [
            (str(p), p.format(float(self.good[k])), p.format(float(self.faulty[k])),
             "yes" if k in self.moved else "")
            for k, p in enumerate(self.probes)
        ]  # fmt: skip
        return [Table("What the meter would show", columns, rows)]


def fault_named(amp: Amp, words: str) -> Fault:
    """The single fault of an amp that reads so, as 'R14 open'.

    Raises
    ------
    ChangeError : there is none (near matches listed).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> fault_named(load_amp("teasel"), "R14 drifted up").grade_words
    ('1.4 times its value', '1.8 times its value', '2.5 times its value', '4 times its value')
    """
    faults = {fault.words: fault for fault in single_faults(amp)}
    if words not in faults:
        raise ChangeError(
            "there is no such fault", where=amp.name, part=words, near=near_matches(words, faults)
        )
    return faults[words]


def predict_readings(
    amp: Amp,
    fault: Fault | str,
    probes: Sequence[Probe],
    *,
    grade: int = 0,
    tone: Tone | None = None,
    age: Age = "vintage",
    meter_ohms: Array | float = 10e6,
) -> FaultPrediction:
    """Predict what a meter would show with one fault in the amp, beside the typical good amp.

    Parameters
    ----------
    fault : from `single_faults`, or its words, as 'C11 leaky'.
    grade : its severity, counted from the slightest.
    probes : where the meter is put; signals need `tone`.
    meter_ohms : input resistance of the meter, one for all or one for each probe [Ω].

    Raises
    ------
    ChangeError : no such fault. SolveError : the amp, or the amp with this fault, has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = predict_readings(load_amp("teasel"), "R14 open", [Probe("dc_v", ("k34", "ground"))])
    >>> bool(result.faulty[0] > 1.5 * result.good[0]), result.opens
    (True, '')
    """
    known = fault_named(amp, fault) if isinstance(fault, str) else fault
    there = plugged(amp, tone)
    varied = variables(there, age)
    meters = np.broadcast_to(np.asarray(meter_ohms, float), (len(probes),))
    turns: list[Change] = [{}] if known.becomes is not None else [{}, known.grades[grade]]
    result, opened = _shown(there, fault_settings(varied, turns), probes, tone)
    good = result.loaded(meters, opened != "")[0]
    if known.becomes is not None:
        result, opened = _shown(with_fault(there, known), fault_settings(varied, [{}]), probes, tone)
    faulty, free = result.loaded(meters, opened != "")[-1], result.values[-1]
    if not (np.isfinite(good).all() and np.isfinite(faulty).all()):
        raise SolveError(f"{amp.title} with {known.words}: no idle state was found")
    severity = known.grade_words[grade] if known.grade_words else ""
    return FaultPrediction(
        amp,
        known,
        severity,
        tuple(probes),
        frozen_array(good),
        frozen_array(faulty),
        frozen_array(free),
        str(opened[-1]),
    )


def _shown(
    amp: Amp, settings: Settings, probes: Sequence[Probe], tone: Tone | None
) -> tuple[MeterValues, Array]:
    return shown_with_fuses(amp, with_fault_ports(amp).circuit, settings, probes, tone)

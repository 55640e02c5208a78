"""How often the right part is named, on amps made up of numbers.

python -m tests.benchmarks.suspects [amp ...] [--cases 500] [--good 600] [--seed 1] [--by dc plain mixed]

Per amp: 15 readings, a meter of 1.5 % and 10 MΩ, old parts. Truth comes from `tests.bench.synthetic` (full
Newton on all nodes, 256 samples of the mains cycle, the meter a resistor in the circuit), with the tube laws
that judge ('dc', 'mixed') or with plain three-halves laws ('plain'). Faults and severities are drawn evenly,
not by how often they are met. Of each draw three shares are told:

- faults that show: the slightest grade lies more than `SHOWS` variances off a good amp. Severity is drawn
  anywhere from there to the gravest. No other filter.
- faults that can be told: of those, the ones for which no fault of another part predicts the same readings
  within `ALIKE` variances. A leak across a resistor is that resistor gone low, whatever judges them.
- every single fault, shown by these readings or not.

`coverage` (by 'mixed') counts faults whose gravest grade shows, by which kinds of readings. Amps are those
of `tests.amps`.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.amps import EVERY, amp as known_amp
from tests.bench.study import Tally, run, separable, visible
from tests.bench.synthetic import Laws, plain_laws
from tests.benchmarks.clock import say
from tubekit.bench.fault_table import FaultTable, fault_table
from tubekit.bench.next_reading import candidate_probes, tube_readings
from tubekit.decisions.probe import Probe, Tone, plugged

TONE, ACCURACY = Tone("J1", 0.002), 0.015
MISSED_SHOWN = 12


def coverage(book: FaultTable) -> None:
    """How many single faults DC alone shows, and with ripple and a signal trace; the unseen by name."""
    direct = [p for p in book.probes if p.quantity == "dc_v"]
    steady = [p for p in book.probes if p.quantity in ("dc_v", "ripple_pp_v", "ac_rms_v")]
    one = steady + [p for p in book.probes if p.quantity == "signal_rms_v" and not p.frequency_hz]
    for words, probes in (("DC", direct), ("+ ripple and heaters", steady), ("+ signal at 1 kHz", one),
                          ("+ signal at 80 Hz and 6 kHz", list(book.probes))):  # fmt: skip
        result = visible(book, probes, ACCURACY, "gravest")
        count = f"{len(result)} of {len(book.faults)} single faults show"
        say(f"  {words}: {count} ({len(result) / len(book.faults):.0%}, {len(probes)} readings)")
    unseen = [f.words for k, f in enumerate(book.faults) if k not in set(result)]
    say(f"  unseen: {'; '.join(unseen)}")


@dataclass(frozen=True)
class Plan:
    """Sizes and seed of one study."""

    cases: int
    good: int
    seed: int


def study(book: FaultTable, probes: Sequence[Probe], plan: Plan, words: str, laws: Laws | None) -> None:
    """Good amps, faults that can be told, all that show, and every fault, by one set of readings."""
    shown = visible(book, probes, ACCURACY)
    text = separable(book, probes, ACCURACY, shown)
    every = list(range(len(book.faults)))
    say(f"  {words}: {len(shown)} faults show from their slightest grade, {len(text)} of them can be told")

    def drawn(faults: Sequence[int], count: int, seed: int) -> Tally:
        chosen = list(np.random.default_rng(seed + 900).choice(faults, count))
        return run(book, probes, chosen, seed, tone=TONE, accuracy=ACCURACY, laws=laws)

    tally = run(book, probes, [None] * plan.good, plan.seed, tone=TONE, accuracy=ACCURACY, laws=laws)
    low = [sum(o.healthy < limit for o in tally.outcomes) for limit in (0.5, 0.2, 0.05)]
    say(f"    good amps: {tally.line()}; chance of good below 0.5, 0.2, 0.05 in {low}")
    # so many that about `cases` of them can be told
    tally = drawn(shown, round(plan.cases * len(shown) / max(len(text), 1)), plan.seed + 1)
    say(f"    faults that can be told: {tally.of(text).line()}")
    say(f"    faults that show: {tally.line()}")
    missed = Counter(f"{first[0]} for {part}" for part, first in tally.missed)
    say(f"      named instead: {missed.most_common(MISSED_SHOWN)}")
    say(f"    every single fault: {drawn(every, plan.cases // 2, plan.seed + 2).line()}")


def mixed(book: FaultTable, direct: Sequence[Probe]) -> list[Probe]:
    """Fifteen readings of all kinds: nine DC, two of ripple, four of signal."""
    ripple = [p for p in book.probes if p.quantity == "ripple_pp_v"][:2]
    plates = [p for p in book.probes if p.quantity == "signal_rms_v" and not p.frequency_hz
              and p.place[0].startswith("p")]  # fmt: skip
    return [*direct[1:10], *ripple, *plates[:4]]


def main(names: Sequence[str], plan: Plan, by: Sequence[str]) -> None:
    """Run it."""
    warnings.simplefilter("ignore")
    for name in names:
        amp = plugged(known_amp(name), TONE)
        direct = tube_readings(amp)
        probes = list(direct)
        if "mixed" in by:
            listed = [p for p in candidate_probes(amp, TONE) if p.quantity != "ohms"]
            probes += [*listed, *(Probe("signal_rms_v", p.place, f) for f in (80.0, 6000.0)
                                  for p in listed if p.quantity == "signal_rms_v")]  # fmt: skip
        book = fault_table(amp, tuple(dict.fromkeys(probes)), tone=TONE)
        say(f"{amp.title}: {len(book.faults)} single faults, {len(book.owner) - 1} grades, seed {plan.seed}")
        if "mixed" in by:
            coverage(book)
        if "dc" in by:
            study(book, direct, plan, "15 DC readings", None)
        if "plain" in by:
            study(book, direct, plan, "15 DC readings, truth with plain laws", plain_laws(amp))
        if "mixed" in by:
            study(book, mixed(book, direct), plan, "15 readings of all kinds", None)
        sys.stdout.flush()


if __name__ == "__main__":
    reader = argparse.ArgumentParser()
    reader.add_argument("amps", nargs="*", help=", ".join(EVERY))
    for option, default in (("--cases", 500), ("--good", 600), ("--seed", 1)):
        reader.add_argument(option, type=int, default=default)
    reader.add_argument("--by", nargs="+", default=["dc", "plain", "mixed"])
    asked = reader.parse_args()
    main(asked.amps or ["teasel", "burdock"], Plan(asked.cases, asked.good, asked.seed), asked.by)

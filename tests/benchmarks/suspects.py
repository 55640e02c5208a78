"""How often the right part is named, on amps made up of numbers.

python -m tests.benchmarks.suspects [faulty cases] [good amps] [amp ...]

Per amp: 15 DC readings, a meter of 1.5 % and 10 MΩ, old parts. Truth comes from `tests.bench.synthetic` (full
Newton on all nodes, 256 samples of the mains cycle), once with the laws that judge and once with plain
three-halves laws. Faults that show: their slightest grade lies 4.5 deviations off a good amp. Faults that
can be told: no other part's fault predicts the same readings.
"""

from __future__ import annotations

import sys
import warnings
from collections import Counter
from collections.abc import Sequence

import numpy as np

from tests.bench.study import run, separable, visible
from tests.bench.synthetic import Laws, plain_laws
from tests.benchmarks.clock import say
from tubekit import load_amp
from tubekit.bench.candidates import candidate_probes, tube_readings
from tubekit.bench.fault_book import FaultBook, fault_book
from tubekit.decisions.probe import Probe, Tone, plugged

TONE, ACCURACY = Tone("J1", 0.002), 0.015
SEEDS = {"good": 101, "told": 102, "shown": 103}


def coverage(book: FaultBook) -> None:
    """How many single faults DC alone shows, and with ripple and a signal trace; the unseen by name."""
    direct = [p for p in book.probes if p.quantity == "dc_v"]
    steady = [p for p in book.probes if p.quantity in ("dc_v", "ripple_pp_v", "ac_rms_v")]
    one = steady + [p for p in book.probes if p.quantity == "signal_rms_v" and not p.frequency_hz]
    for words, probes in (("DC", direct), ("+ ripple", steady), ("+ signal at 1 kHz", one),
                          ("+ signal at 80 Hz and 6 kHz", list(book.probes))):  # fmt: skip
        found = visible(book, probes, ACCURACY, "gravest")
        say(f"  {words}: {len(found)} of {len(book.faults)} single faults show ({len(probes)} readings)")
    unseen = [f.words for k, f in enumerate(book.faults) if k not in set(found)]
    say(f"  unseen: {'; '.join(unseen)}")


def study(
    book: FaultBook, probes: Sequence[Probe], faulty: int, good: int, words: str, laws: Laws | None
) -> None:
    """Good amps, then faults that can be told, then all that show, by one set of readings."""
    shown = visible(book, probes, ACCURACY)
    told = separable(book, probes, ACCURACY, shown)
    say(f"  {words}: {len(shown)} faults show from their slightest grade, {len(told)} can be told")
    tally = run(book, probes, [None] * good, SEEDS["good"], tone=TONE, accuracy=ACCURACY, laws=laws)
    below = [sum(h < limit for h in tally.healthy) for limit in (0.2, 0.1, 0.05)]
    say(f"    good amps: {tally.line()}; chance of good below 0.2, 0.1, 0.05 in {below}")
    for kind, faults in (("told", told), ("shown", shown)):
        drawn = list(np.random.default_rng(SEEDS[kind] + 900).choice(faults, faulty))
        tally = run(book, probes, drawn, SEEDS[kind], tone=TONE, accuracy=ACCURACY, laws=laws)
        say(f"    faults that can be {kind}: {tally.line()}")
        missed = Counter(f"{first[0]} for {part}" for part, first in tally.missed)
        say(f"      named instead: {missed.most_common(8)}")


def mixed(book: FaultBook, direct: Sequence[Probe]) -> list[Probe]:
    """Fifteen readings of all kinds: nine DC, two of ripple, four of signal."""
    ripple = [p for p in book.probes if p.quantity == "ripple_pp_v"][:2]
    plates = [p for p in book.probes if p.quantity == "signal_rms_v" and not p.frequency_hz
              and p.place[0].startswith("p")]  # fmt: skip
    return [*direct[1:10], *ripple, *plates[:4]]


def main(faulty: int, good: int, names: list[str]) -> None:
    """Run it."""
    warnings.simplefilter("ignore")
    for name in names:
        amp = plugged(load_amp(name), TONE)
        direct = tube_readings(amp)
        listed = [p for p in candidate_probes(amp, TONE) if p.quantity != "ohms"]
        others = [Probe("signal_rms_v", p.place, f) for f in (80.0, 6000.0)
                  for p in listed if p.quantity == "signal_rms_v"]  # fmt: skip
        book = fault_book(amp, tuple(dict.fromkeys([*direct, *listed, *others])), tone=TONE)
        say(f"{amp.title}: {len(book.faults)} single faults, {len(book.owner) - 1} grades")
        coverage(book)
        study(book, direct, faulty, good, "15 DC readings", None)
        study(book, direct, faulty, good, "15 DC readings, plain laws", plain_laws(amp))
        study(book, mixed(book, direct), faulty, good // 2, "15 readings of all kinds", None)


if __name__ == "__main__":
    given = sys.argv[1:]
    numbers = [int(word) for word in given if word.isdigit()]
    cases, amps = [*numbers, 260, 500][:2] if len(numbers) != 1 else [numbers[0], 500]
    main(cases, amps, [word for word in given if not word.isdigit()] or ["teasel", "fescue"])

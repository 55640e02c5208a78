"""Random changes of every amp: values over three decades, parts removed, opened, shorted, bleeders out.

    python -m tests.hard_changes --count 20000 --seed 1

Each amp that comes out is solved whole. It converges, or the error names why it has no single answer;
anything else is listed with what would bring it back: amp, changes and line voltage.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from tests.amps import COLD, EVERY, amp
from tests.say import say
from tubekit import analyze
from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.errors import ChangeError, CircuitError

MOST_CHANGES = 4
DECADES = 1.5
"""Either way of the drawn value: three in all."""
BLEEDER_OUT = 0.3
PROGRESS_EVERY = 1000
STATES = ("open", "short", "removed")
TWO_ENDED = (
    drawn.Resistor, drawn.Capacitor, drawn.Choke, drawn.Diode, drawn.Fuse, drawn.Switch, drawn.Wire,
    drawn.Lamp, drawn.Loudspeaker,
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One amp with random changes."""

    name: str
    changes: Mapping[str, str]
    mains_rms: float

    def amp(self) -> Amp:
        """The amp as changed."""
        return amp(self.name).changed(self.changes, mains_rms=self.mains_rms)

    def outcome(self) -> str:
        """`converged`, `named` where an error says why there is no single answer, else what went wrong."""
        try:
            changed = self.amp()
        except ChangeError as error:
            return f"refused: {error}"
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                report = analyze(changed)
            except CircuitError:
                return "named"
            except Exception as error:  # noqa: BLE001 - whatever it is, it must not happen
                return f"{type(error).__name__}: {error}"
        volts = np.array([node.dc_v for node in report.nodes])
        return "converged" if np.isfinite(volts).all() else "not a number"


def cases(count: int, seed: int) -> Iterator[Case]:
    """Random cases, the amps in turn."""
    random = np.random.default_rng(seed)
    for k in range(count):
        name = (*EVERY, *COLD)[k % len((*EVERY, *COLD))]
        mains = float(round(amp(name).design_mains_rms * random.uniform(0.9, 1.1), 1))
        yield Case(name, dict(random_changes(amp(name), random)), mains)


def random_changes(one: Amp, random: np.random.Generator) -> Iterator[tuple[str, str]]:
    """Up to four changes of parts, bleeders out among them."""
    parts = list(one.parts.values())
    if random.random() < BLEEDER_OUT:
        yield from ((part.designator, "removed") for part in parts if part.role == "bleeder")
    for k in random.choice(len(parts), random.integers(1, MOST_CHANGES + 1), replace=False):
        part = parts[k]
        if isinstance(part, drawn.MainsPlug):
            continue
        value = _value(part, 10.0 ** random.uniform(-DECADES, DECADES))
        state = str(random.choice(STATES)) if isinstance(part, TWO_ENDED) else "removed"
        yield value if value and random.random() < 0.5 else (part.designator, state)


def _value(part: drawn.Part, factor: float) -> tuple[str, str] | None:
    """A change of a part's value by a factor."""
    if isinstance(part, drawn.Resistor):
        return part.designator, f"{float(part.ohms) * factor:.4g}"
    if isinstance(part, drawn.Potentiometer):
        return f"{part.designator}.position", f"{abs(np.log10(factor)) / DECADES:.3f}"
    if isinstance(part, drawn.Capacitor):
        return part.designator, f"{float(part.farads) * factor * 1e12:.4g}p"
    if isinstance(part, drawn.Choke):
        return part.designator, f"{float(part.henries) * factor:.4g} H"
    if isinstance(part, Tube | RectifierTube):
        return f"{part.designator}.emission", f"{min(factor, 1.5):.3g}"
    return None


def main() -> None:
    """Run the cases and list what went wrong."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    result: Counter[str] = Counter()
    began, slowest = time.process_time(), (0.0, None)
    for number, case in enumerate(cases(asked.count, asked.seed)):
        if number and number % PROGRESS_EVERY == 0:
            say(f"{number} of {asked.count}: {dict(result)}")
        start = time.process_time()
        outcome = case.outcome()
        slowest = max(slowest, (time.process_time() - start, case), key=lambda pair: pair[0])
        result[outcome.split(":")[0]] += 1
        if outcome.split(":")[0] not in ("converged", "named", "refused"):
            say(f"{outcome}\n    {case}")
    tried = asked.count - result["refused"]
    good = result["converged"] + result["named"]
    say(f"{dict(result)}: {100.0 * good / max(tried, 1):.3f} % of {tried} solved or named")
    say(f"{time.process_time() - began:.0f} s CPU, slowest {slowest[0]:.2f} s: {slowest[1]}")


if __name__ == "__main__":
    main()

"""Every ratio against the general-purpose way in one run, and how time and memory grow with size.

python -m tests.benchmarks.speed [folder]

Appends to speed.json in the folder (default `build`), with the machine's facts, and draws the growth in
speed.png. Growth is in processor time; its exponent is fitted in both logarithms. Ratios count, not seconds.
"""

from __future__ import annotations

import json
import os
import platform
import sys
import tracemalloc
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from time import process_time

import matplotlib as mpl
import numpy as np
import scipy
from matplotlib.figure import Figure

from tests.benchmarks import idle, mains, poles, response, supply_in_time
from tests.benchmarks.clock import best_of, say
from tests.circuits import GROUND, full_wave
from tubekit import operating_point, tube
from tubekit.analyses.audio import play
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.transient import slow_transient
from tubekit.circuit.parts import Capacitor, Circuit, Device, Part, Resistor, VoltageSource

AUDIO_HZ = 96_000
"""Steps a second of audio."""


@dataclass(frozen=True)
class Growth:
    """Processor time and memory of one work at several sizes, and the exponents fitted to them."""

    what: str
    sizes: tuple[int, ...]
    seconds: tuple[float, ...]
    peak_bytes: tuple[int, ...]
    time_exponent: float
    memory_exponent: float


def growth(what: str, sizes: tuple[int, ...], make: Callable[[int], Callable[[], object]]) -> Growth:
    """Run the work at each size: best of three, then once more for its memory."""
    seconds, peaks = [], []
    for size in sizes:
        work = make(size)
        work()
        seconds.append(best_of(3, work, process_time))
        tracemalloc.start()
        work()
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    return Growth(what, sizes, tuple(seconds), tuple(peaks), exponent(sizes, seconds), exponent(sizes, peaks))


def exponent(sizes: tuple[int, ...], values: list[float] | list[int]) -> float:
    """Slope of a straight line through the logarithms of both."""
    return float(np.polyfit(np.log(sizes), np.log(np.maximum(values, 1e-9)), 1)[0])


def stages(count: int) -> Circuit:
    """So many resistance-coupled stages in a row, one tube and five nodes each."""
    law = tube("12AX7").law
    parts: list[Part] = [VoltageSource("B", "b", GROUND, 250.0)]
    for k in range(count):
        parts += [
            Resistor(f"R{k}a", "b", f"p{k}", 1e5), Resistor(f"R{k}k", f"k{k}", GROUND, 1500.0),
            Resistor(f"R{k}g", f"g{k}", GROUND, 1e6), Capacitor(f"C{k}", f"p{k}", f"g{k + 1}", 22e-9),
            Device(f"V{k}", law, (f"p{k}", f"g{k}"), f"k{k}"),
        ]  # fmt: skip
    return Circuit((*parts, Resistor("RL", f"g{count}", GROUND, 1e6)))


def ladder(count: int) -> Circuit:
    """A divider of so many nodes in front of one stage: nodes grow, tubes do not."""
    nodes = ["b", *(f"n{k}" for k in range(count - 1)), GROUND]
    chain = [Resistor(f"RL{k}", *pair, 1e4) for k, pair in enumerate(pairwise(nodes))]
    return Circuit((*stages(1).parts, *chain))


def pairs(count: int) -> Circuit:
    """So many pairs of stages on one rail that sags, all driven by one source."""
    parts: list[Part] = [
        VoltageSource("B", "supply", GROUND, 250.0), Resistor("RB", "supply", "b", 10e3 / count),
        Capacitor("CB", "b", GROUND, 16e-6), VoltageSource("E", "e", GROUND),
    ]  # fmt: skip
    for k in range(count):
        own = {"g0": "e", "b": "b", GROUND: GROUND}
        for part in stages(2).parts[1:]:
            names = [field.name for field in fields(part) if field.name in ("a", "b", "cathode")]
            moved = {name: own.get(node := getattr(part, name), f"{node}.{k}") for name in names}
            if isinstance(part, Device):
                moved["terminals"] = tuple(own.get(node, f"{node}.{k}") for node in part.terminals)
            parts.append(replace(part, name=f"{part.name}.{k}", **moved))
    return Circuit(tuple(parts))


def playing(count: int, seconds: float) -> Callable[[], object]:
    """So many pairs of stages while a loud tone plays, as an amp is played; four ports each."""
    circuit = pairs(count)
    start = mains_steady_state(circuit, frequency_hz=60.0)
    drive = np.sin(2 * np.pi * 440.0 / AUDIO_HZ * np.arange(round(seconds * AUDIO_HZ)))
    return lambda: play(
        circuit, drive, AUDIO_HZ, source="E", outputs=[("g2.0", GROUND)], start=start, every=100,
        progress=lambda share: None,
    )  # fmt: skip


def every_growth(
    tubes: int = 32,
    nodes: int = 256,
    members: int = 1000,
    seconds: float = 8.0,
    played: int = 16,
    audio_s: float = 8.0,
) -> list[Growth]:
    """Growth up to these sizes, each from an eighth of it."""

    def up_to(most: float) -> tuple[int, ...]:
        return tuple(max(1, int(most / part)) for part in (8, 4, 2, 1))

    def of_time(length: int) -> Callable[[], object]:
        circuit = full_wave(supply_in_time.TUBE, volts=supply_in_time.VOLTS, copper=supply_in_time.COPPER)
        return lambda: slow_transient(circuit, float(length), frequency_hz=supply_in_time.HZ)

    def of_batch(count: int) -> Callable[[], object]:
        circuit = supply_in_time.variants(count)
        return lambda: mains_steady_state(
            circuit, frequency_hz=supply_in_time.HZ, samples=supply_in_time.SAMPLES
        )

    return [
        growth("tubes, idle point", up_to(tubes), lambda n: lambda: operating_point(stages(n))),
        growth("nodes, idle point", up_to(nodes), lambda n: lambda: operating_point(ladder(n))),
        growth("batch of supplies", up_to(members), of_batch),
        growth("seconds of switch-on", up_to(seconds), of_time),
        growth("seconds of audio", up_to(audio_s), lambda n: playing(2, float(n))),
        growth("pairs of stages that play", up_to(played), lambda n: playing(n, 0.2)),
    ]  # fmt: skip


def ratios(small: bool = False) -> dict[str, float]:
    """Each general-purpose way over ours, in time; `small` for a test."""
    points = idle.run(6, 2, 1) if small else idle.run(2000, 100)
    supplies = mains.run(3, 100, 1) if small else mains.run(200)
    in_time = supply_in_time.run(4, 0.4, 1) if small else supply_in_time.run(200)
    return {
        "idle points: SciPy's root finder": points["root_ratio"],
        "idle points: the same with our Jacobian": points["root_jacobian_ratio"],
        "tube rectifier: LSODA until settled": supplies["tube"]["ratio"],
        "silicon rectifier: LSODA until settled": supplies["silicon"]["ratio"],
        "switch-on, means: Radau": in_time["slow_ratio"],
        "switch-on, every cycle: Radau": in_time["every_ratio"],
        "poles: a dense solve per frequency": poles.run(20, 1)["ratio"] if small else poles.run()["ratio"],
        "response: a dense solve per frequency": (
            response.run(4, 30, 1)["ratio"] if small else response.run()["ratio"]
        ),
    }


def facts() -> dict[str, object]:
    """The machine and the versions that count, without its name."""
    return {
        "when": datetime.now(UTC).isoformat(timespec="seconds"), "system": platform.system(),
        "machine": platform.machine(), "cores": os.cpu_count(), "python": platform.python_version(),
        "numpy": np.__version__, "scipy": scipy.__version__, "matplotlib": mpl.__version__,
    }  # fmt: skip


def keep(folder: Path, times: dict[str, float], grown: list[Growth]) -> None:
    """Append the run to the history and draw its growth, where it has any."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "speed.json"
    runs = json.loads(path.read_text(encoding="utf-8")) if path.exists() else []
    runs.append({**facts(), "ratios": times, "growth": [asdict(each) for each in grown]})
    path.write_text(json.dumps(runs, indent=1), encoding="utf-8")
    if not grown:
        return
    figure = Figure(figsize=(7.6, 3.6), layout="constrained")
    left, right = figure.subplots(1, 2)
    for each, mark in zip(grown, "osD^vP"[: len(grown)], strict=True):
        for axes, values, power in ((left, each.seconds, each.time_exponent),
                                    (right, each.peak_bytes, each.memory_exponent)):  # fmt: skip
            axes.loglog(each.sizes, values, mark + "-", label=f"{each.what}: n^{power:.2f}")
    left.set(xlabel="size", ylabel="processor time [s]")
    right.set(xlabel="size", ylabel="most memory [bytes]")
    left.legend(fontsize=6)
    right.legend(fontsize=6)
    figure.savefig(folder / "speed.png", dpi=150)


if __name__ == "__main__":
    found, sizes = ratios(), every_growth()
    keep(Path(sys.argv[1] if len(sys.argv) > 1 else "build"), found, sizes)
    for name, ratio in found.items():
        say(f"{name:45} {ratio:8.1f} times as long")
    for each in sizes:
        say(f"{each.what:25} time n^{each.time_exponent:.2f}, memory n^{each.memory_exponent:.2f}; "
            f"{each.sizes[-1]}: {each.seconds[-1]:.3f} s, {each.peak_bytes[-1] / 1e6:.1f} MB")  # fmt: skip

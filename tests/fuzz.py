"""Seeded nonsense in every input: amp files, tube files, readings, changes, command lines, jobs.

    python -m tests.fuzz --count 50000 --seed 1

Each input is answered or refused in words that name what was typed. An amp that is answered obeys Kirchhoff's
current law at its resistors and tubes, dissipates nothing negative, and has finite voltages: all three are
computed here from the drawing and the printed voltages, not by the solver.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import tempfile
import time
import tomllib
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from random import Random
from typing import Any

import numpy as np

from tests.amps import COLD, DEMO, EVERY, amp
from tests.failures.amp_texts import TEASEL
from tests.hard_changes import Case, random_changes
from tests.say import say
from tubekit import analyze
from tubekit.amp import AmpReport, amp_from_text, parts as drawn
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.readings import FLOOR
from tubekit.amp.write import toml_value
from tubekit.bench.readings import load_readings
from tubekit.circuit.stamps import INSULATION
from tubekit.cli import main as command
from tubekit.devices.heater import resistance
from tubekit.devices.tube_check import check_tube_file
from tubekit.devices.tube_files import file_types, tube_data
from tubekit.errors import InputError, TubekitError

NEARLY, DEAD_A, SETTLED = 1e-3, 1e-8, 0.01
"""Current that may be missing at a node: a share of the largest there, and what laws give a dead tube [A],
how far a filament is from its last heat;
what the insulation of a floating node carries comes on top."""
JUNK = (
    "", " ", "0", "-1", "1e300", "-1e300", "1e-300", "nan", "inf", "1k", "4K7", "33O", "1,200", "½", "open",
    "short", "removed", "new", "ground", "B1", "V3.k", "12AX7", "=1+1", "$x$", "{x}", "%s", "\x00", "\x1b[2J",
    "\n", "../..", "~nosuchuser", "x" * 10_000, "--json", "-", "Ω", "\u202eabc", "true", "[]", "NaN V",
)  # fmt: skip
WORDS = ("place", "quantity", "value", "accuracy", "input_resistance", "note")
ROW = {"place": "B1", "quantity": "DC volts", "value": "335", "accuracy": "1", "note": "cold"}
SHORT = ("report", "swap", "trace", "cable", "parts", "standby", "substitutes", "judge", "fit", "x")


def unlawful(report: AmpReport) -> str:
    """What an idle amp does that no amp can; '' where it obeys."""
    volts = {node.node: float(node.dc_v) for node in report.nodes} | {"ground": 0.0}
    if not all(map(np.isfinite, volts.values())):
        return "a voltage is not finite"
    for tube in report.tubes:
        if min(float(tube.plate_w), float(np.nan_to_num(tube.screen_w))) < -1e-9:
            return f"{tube.section} gives off heat it does not take up: {tube.plate_w} W"
    sections = {tube.section: tube for tube in report.tubes}
    away: dict[str, list[float]] = {}  # current that leaves each node
    heat: dict[str, float] = {}
    unseen: Counter[str] = Counter()
    beyond = {"ground"}  # nodes with a part whose current is not calculated here
    for part in report.amp.parts.values():
        if isinstance(part, drawn.Capacitor) and part.condition == "fitted":
            continue
        if type(part) is Tube and part.condition == "fitted":
            _leave(part, sections, away, beyond)
            line = float(report.amp.mains_rms) / float(report.amp.design_mains_rms)
            heat |= _through_filament(part, volts, sections, away, beyond, line)
        elif isinstance(part, drawn.Resistor) and part.condition == "fitted" and set(part.ends) <= set(volts):
            _through_resistor(part, volts, away, unseen)
        else:
            beyond.update(part.nodes)
    for node, currents in away.items():
        least = DEAD_A + 1.01 * INSULATION * abs(volts[node])
        least += 1.2 * heat.get(node, 0.0) + unseen[node]
        if node not in beyond and abs(sum(currents)) > NEARLY * max(map(abs, currents)) + least:
            return f"{sum(currents):.3g} A vanish at {node}"
    return ""


def _leave(part: Tube, sections: Any, away: dict[str, list[float]], beyond: set[str]) -> None:
    """The currents of a tube at its electrodes; nodes of what is not in the report are left out."""
    beyond.update(section.grid for section in part.sections)
    for section in part.sections:
        tube = sections.get(section.name)
        for electrode, sign in (("plate", 1.0), ("screen", 1.0), ("cathode", -1.0)):
            node = getattr(section, electrode, None)
            if node is not None and tube is None:
                beyond.add(node)
            elif node is not None:
                away.setdefault(node, []).append(sign * float(getattr(tube, f"{electrode}_a")))


def _through_resistor(
    part: drawn.Resistor, volts: Any, away: dict[str, list[float]], unseen: Counter[str]
) -> None:
    """Its current, and what of it may be unseen: voltages below `FLOOR` are reported as zero."""
    one, other = part.ends
    for end, sign in ((one, 1.0), (other, -1.0)):
        away.setdefault(end, []).append(sign * (volts[one] - volts[other]) / float(part.ohms))
        unseen[end] += 2.0 * FLOOR / float(part.ohms)


def _through_filament(
    part: Tube, volts: Any, sections: Any, away: dict[str, list[float]], beyond: set[str], line: float
) -> dict[str, float]:
    """What the halves of a filament bring its middle at rated heat, and what other heat may change.

    Where it is hot enough that of the line stands for its own.
    """
    beyond.update(part.heater_leads)
    tube = sections.get(part.designator)
    if not (part.filament and tube and set(part.heater) <= set(volts)):
        return {}
    rated_v, rated_a = part.heater_rating()
    end, middle, other = (volts[node] for node in part.heater)
    flow = (2.0 * middle - end - other) * 2.0 * rated_a / rated_v
    away.setdefault(part.heater[1], []).append(flow)
    off = max(abs(1.0 / resistance(x) - 1.0) for x in (float(tube.heater_rms_v) / rated_v, line))
    return {part.heater[1]: abs(flow) * (off + SETTLED)}


def nonsense(random: Random) -> str:
    """One of the words that trip a reader, or random signs."""
    if random.random() < 0.7:
        return random.choice(JUNK)
    return "".join(chr(random.randrange(1, random.choice((127, 0x3000)))) for _ in range(8))


def of_amp_file(random: Random) -> str:
    """A demo amp's text with words replaced, then solved where it still is an amp."""
    tables = copy.deepcopy(TABLES)
    for _ in range(random.randint(1, 3)):
        table = tables
        while True:
            key = random.choice(list(table))
            if not (isinstance(table[key], dict) and table[key] and random.random() < 0.9):
                break
            table = table[key]
        old = table[key]
        if random.random() < 0.2:
            table[nonsense(random)] = table.pop(key)
            continue
        other = random.choice((0, -1, 1e300, True, [], ["ground", "B1"]))
        table[key] = random.choice((nonsense(random), other))
        if isinstance(old, str) and random.random() < 0.5:
            table[key] = random.choice(("1k", "100k", "22u", "47n", "12AX7", "6V6GT", "ground", "B2"))
    return _solved(amp_from_text(_toml(tables), "nonsense.toml"))


def _toml(tables: dict[str, Any]) -> str:
    def written(value: object) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{toml_value(key)} = {written(one)}" for key, one in value.items()) + "}"
        return toml_value(value)

    return "\n".join(f"{toml_value(key)} = {written(value)}" for key, value in tables.items())


def _solved(one: Any) -> str:
    return unlawful(analyze(one)) or "answered"


def of_tube_file(random: Random) -> str:
    """A tube file with figures replaced."""
    data = copy.deepcopy(dict(tube_data(random.choice(file_types()))))
    table = data
    key = random.choice(list(data))
    while isinstance(table[key], dict) and table[key]:
        table[key] = dict(table[key])
        table, key = table[key], random.choice(list(table[key]))
    table[key] = random.choice((0, -1, 1e300, float("nan"), True, None, [], {}, nonsense(random)))
    check_tube_file(data, "nonsense.toml")
    return "answered"


def of_readings(random: Random) -> str:
    """A list of readings with cells replaced."""
    row = (
        ROW
        | {"place": "B2", "value": "290"}
        | {random.choice(WORDS): nonsense(random) for _ in range(random.randint(1, 2))}
    )
    load_readings([ROW, row], amp("teasel"))
    return "answered"


def of_changes(random: Random) -> str:
    """An amp with a random change, and another with a senseless one."""
    one = amp(random.choice(EVERY))
    part = random.choice(list(one.parts))
    field = random.choice(("", "", ".emission", ".position", ".value", f".{nonsense(random)}"))
    value = random.choice((nonsense(random), "open", "short", "removed", "1k", "22u", "0.5", "12AX7"))
    return _solved(one.changed({part + field: value}))


def of_values(random: Random) -> str:
    """Parts off by decades, open, shorted or out."""
    name = random.choice((*EVERY, *COLD))
    mains = float(amp(name).design_mains_rms) * random.uniform(0.9, 1.1)
    changes = dict(random_changes(amp(name), np.random.default_rng(random.randrange(2**32))))
    return _solved(Case(name, changes, mains).amp())


def of_command_line(random: Random) -> str:
    """Words of commands and nonsense in any order."""
    words = [random.choice(SHORT), random.choice((*DEMO, nonsense(random)))]
    more = [random.choice(("", "R1=")) + nonsense(random) for _ in range(random.randint(0, 2))]
    return _typed([*words, *more])


def of_job(random: Random) -> str:
    """What is typed into a job."""
    with tempfile.TemporaryDirectory() as folder:
        _typed(["job", "new", folder, "teasel"])
        verb = random.choice(("read", "next", "note", "found", "decide", "fit", "temp", "off", "correct"))
        return _typed(["job", verb, folder, nonsense(random), f"V3.k={nonsense(random)}"])


def _typed(words: list[str]) -> str:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = command(words)
        except SystemExit as stop:
            code = int(stop.code or 0)
    text = out.getvalue() + err.getvalue()
    if "\x1b" in text or "Warning" in text:
        return f"printed {text[:200]!r}"
    return "answered" if code == 0 else "refused"


KINDS: tuple[Callable[[Random], str], ...] = (
    of_values, *4 * (of_changes, of_amp_file), *10 * (of_tube_file, of_readings), of_command_line,
    *9 * (of_tube_file, of_readings), of_job, of_tube_file,
)  # fmt: skip
"""In turn; what takes longest comes once in fifty."""
TABLES = tomllib.loads(TEASEL)


def outcomes(
    count: int, seed: int, kinds: Sequence[Callable[[Random], str]] = KINDS, first: int = 0
) -> Iterator[tuple[str, int, str]]:
    """Kind of input, the seed that brings it back, and what came of it."""
    for number in range(seed * 1_000_000 + first, seed * 1_000_000 + first + count):
        kind = kinds[number % len(kinds)]
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                outcome = kind(Random(number))
            except (InputError, TubekitError) as error:
                outcome = "refused" if str(error) else "refused without words"
            except Exception as error:  # noqa: BLE001 - whatever it is, it must not happen
                outcome = f"{type(error).__name__}: {error}"
        yield kind.__name__, number, outcome


def main() -> None:
    """Try the inputs and list the defects."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=1)
    names = {kind.__name__.removeprefix("of_"): kind for kind in KINDS}
    parser.add_argument("kind", nargs="*", metavar="KIND", help=f"default: all of {', '.join(names)}")
    asked = parser.parse_args()
    kinds = [names[name] for name in asked.kind] or KINDS
    counts: Counter[tuple[str, str]] = Counter()
    began = time.process_time()
    for kind, number, outcome in outcomes(asked.count, asked.seed, kinds):
        known = outcome in ("answered", "refused")
        counts[kind, outcome if known else "defects"] += 1
        if not known:
            say(f"{kind} {number}: {outcome[:300]}")
    for kind in dict.fromkeys(kinds):
        row = {what: counts[kind.__name__, what] for what in ("answered", "refused", "defects")}
        say(f"{kind.__name__:>16}: {row}")
    say(f"{time.process_time() - began:.0f} s CPU")


if __name__ == "__main__":
    main()

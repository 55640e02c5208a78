"""Every command on every amp: seconds of CPU, refusals, what should not be printed, with warnings as errors.

python -m tests.benchmarks.commands [--amps teasel,vetch] [--json | --all] [--print] [command …]
"""

from __future__ import annotations

import argparse
import io
import re
import sys
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.amps import COLD, EVERY, amp as known_amp, solved
from tests.every_kind import every_kind, every_kind_solved
from tubekit.amp import Amp, AmpReport
from tubekit.amp.parts import Capacitor, Choke, Connector, Potentiometer, Resistor, Switch
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.cli import main

ALL = (*EVERY, *COLD, "one-of-each")
PLAIN = (
    "report", "trace", "drive", "loop", "hum", "supply", "switch-on", "discharge", "sag", "regulation",
    "line-band", "spread", "parts", "cable", "bench:cold", "bench:up", "bench:lamp", "bench:trace",
    "bench:drive", "bench:hum", "bias", "specs",
)  # fmt: skip
ODD = re.compile(r"\b(nan|inf|None|batch|array|Traceback)\b")


def _known(name: str) -> tuple[Amp, AmpReport]:
    return (every_kind(), every_kind_solved()) if name == "one-of-each" else (known_amp(name), solved(name))


def asked(name: str, folder: Path) -> Iterator[list[str]]:
    """The words of every command that is about an amp, with arguments that this amp has."""
    one, report = _known(name)
    path, readings = str(folder / f"{name}.toml"), folder / f"{name}.csv"
    Path(path).write_text(one.copy_as_text(), encoding="utf-8")
    rows = [f"{each.node},DC volts,{each.dc_v * 1.15:.4g}" for each in report.nodes if abs(each.dc_v) > 0.5]
    readings.write_text("\n".join(["place,quantity,value", *rows[:12]]), encoding="utf-8")
    parts = [part for part in one.parts.values() if part.condition == "fitted"]
    first = {kind: [part.designator for part in parts if isinstance(part, kind)] for kind in (
        Resistor, Capacitor, Choke, Connector, Potentiometer, RectifierTube, Switch, Tube)}  # fmt: skip
    cathodes = {tube.cathode for part in parts if isinstance(part, Tube) for tube in part.sections}
    bias = next((p for p in parts if isinstance(p, Resistor) and cathodes & set(p.nodes)), None)
    changed = bias.designator if bias else first[Resistor][0]
    change = f"{changed}={1.2 * float(getattr(one.parts[changed], 'ohms')):.4g}"  # noqa: B009
    for word in PLAIN:
        yield [*word.split(":"), path]
    for switch in first[Switch]:
        yield ["standby", path, switch]
    yield ["swap", path, change]
    yield ["listen", path, change, "--seconds", "0.1"]
    yield ["swap", path, "--line", f"{float(one.design_mains_rms) * 1.05:.4g}"]
    yield ["tone", path, f"{first[Capacitor][-1]}=10n"]
    if first[Potentiometer]:
        yield ["tone", path, f"{first[Potentiometer][0]}.position=0.9"]
    yield ["lower-line", path, "--line", f"{float(one.design_mains_rms) * 1.06:.4g}"]
    for part in (changed, one.topology.wired.rails[0].capacitor, first[Capacitor][-1], first[Tube][0],
                 first[Tube][-1], *first[RectifierTube][:1], *first[Choke][:1]):  # fmt: skip
        yield ["substitutes", path, part]
    yield ["judge", path, str(readings)]
    yield ["suspects", path, str(readings)]
    yield ["bench", "twin", path, str(readings)]
    yield ["record", path, str(folder / f"{name}.html"), change, "--no-pdf", "--overwrite"]
    yield ["bench", "found", path, change, "--drawing", path]
    yield ["bench", "order", path, change]
    if first[Connector]:
        yield ["cable", path, "--swaps"]


def tried(words: list[str], show: bool = False) -> str:
    """Seconds, exit code, lines that nobody can read, complaints; the answer on request."""
    out, err = io.StringIO(), io.StringIO()
    begun = time.process_time()
    with redirect_stdout(out), redirect_stderr(err), warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            code = str(main(words))
        except Exception:  # noqa: BLE001 - whatever it is, it is what the user would meet
            code = "CRASH " + traceback.format_exc()
    odd = [f"ODD {line}" for line in out.getvalue().splitlines() if ODD.search(line)]
    odd += out.getvalue().splitlines() if show else []
    return "\n    ".join([f"{time.process_time() - begun:5.1f} s  exit {code}", *odd, err.getvalue().strip()])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("commands", nargs="*")
    parser.add_argument("--amps", default=",".join(ALL))
    parser.add_argument("--json", action="append_const", dest="more", const="--json", default=[])
    parser.add_argument("--all", action="append_const", dest="more", const="--all")
    parser.add_argument("--print", action="store_true")
    given = parser.parse_args()
    with TemporaryDirectory() as folder:
        for name in given.amps.split(","):
            for words in asked(name, Path(folder)):
                if not given.commands or words[0] in given.commands:
                    text = tried([*words, *given.more], given.print)
                    line = " ".join(words).replace(f"{folder}/", "")
                    sys.stdout.write(f"{line:60} {text.rstrip()}\n")
                    sys.stdout.flush()

"""Every command on an amp with a part of every kind: seconds of CPU, refusals, what should not be printed.

python -m tests.benchmarks.commands [command …]
"""

from __future__ import annotations

import io
import re
import sys
import time
import warnings
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.every_kind import TEXT
from tubekit.cli import main

READINGS = "place,quantity,value\nB1,DC volts,330\nB3,DC volts,150\nk2,DC volts,1.4\n"
COMMANDS = """report; swap {amp} R40.position=0.4; trace; tone {amp} R40.position=0.4; drive; hum; supply
switch-on; standby {amp} S1; discharge; sag; regulation; mains-band; lower-mains {amp} --mains 124
substitutes {amp} R12; substitutes {amp} C20; substitutes {amp} L1; substitutes {amp} V4; substitutes {amp} V1
spread; cable
judge {amp} {readings}; suspects {amp} {readings}; record {amp} {page} R14=330 --no-pdf
bench up {amp}; bench lamp {amp}; bench trace {amp}; bench drive {amp}; bench found {amp} --drawing {amp}
bench order {amp} R14=330"""


def _tried(words: list[str]) -> str:
    out, err = io.StringIO(), io.StringIO()
    begun = time.process_time()
    with redirect_stdout(out), redirect_stderr(err):
        code = main(words)
    odd = [line for line in out.getvalue().splitlines() if re.search(r"\b(nan|inf|None|batch)\b", line)]
    return "\n    ".join([f"{time.process_time() - begun:5.1f} s  exit {code}", *odd, err.getvalue().strip()])


if __name__ == "__main__":
    warnings.simplefilter("error")
    with TemporaryDirectory() as folder:
        names = {key: str(Path(folder) / name) for key, name in (
            ("amp", "every.toml"), ("readings", "readings.csv"), ("page", "record.html"))}  # fmt: skip
        Path(names["amp"]).write_text(TEXT, encoding="utf-8")
        Path(names["readings"]).write_text(READINGS, encoding="utf-8")
        for each in re.split(r"[;\n] *", COMMANDS):
            asked = each if "{" in each else f"{each} {{amp}}"
            if not sys.argv[1:] or asked.split()[0] in sys.argv[1:]:
                sys.stdout.write(f"{each:45} {_tried(asked.format(**names).split())}\n")
                sys.stdout.flush()

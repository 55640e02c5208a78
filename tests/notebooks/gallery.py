"""The README's pictures, drawn anew from real runs.

    python tests/notebooks/gallery.py

Each is a figure of a plot function or a panel; the record's is its printed page, for which a Chromium must be
there (without one that picture stays as it is). Pictures are kept small: a palette of 64 colors.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "notebooks" / "pictures"
COLORS = 64
READINGS = ROOT / "notebooks" / "readings" / "teasel-runs-hot.csv"


def part_swap() -> bytes:
    """The figure of the part-swap panel with the README's example on it, twice as fine as on a screen."""
    from tubekit.panels import part_swap as panel

    trial = panel("teasel")
    trial.set({"R14": "330", "V5": "5AR4"}, mains_rms=123)
    trial.rescale()
    return trial.figure.print_png()


def load_line() -> bytes:
    """A single 6V6GT into 5 kohm."""
    from tubekit import load_line as found, plots

    return plots.load_line(found("6V6GT", plate=250, screen=250, grid=-12.5, load=5000)).png()


def tone() -> bytes:
    """A smaller capacitor in the tone network."""
    from tubekit import load_amp, plots, tone_change

    return plots.tone(tone_change(load_amp("teasel"), {"C2": "4n7"})).png()


def bands() -> bytes:
    """Readings on the scale of their bands."""
    from tubekit import judge, load_amp, load_readings, plots

    return plots.bands(judge(load_readings(READINGS, load_amp("teasel")))).png()


def schematic() -> bytes:
    """The output stage with its volts before and after."""
    from tubekit import load_amp, plots, swap

    return plots.schematic(swap(load_amp("teasel"), {"R14": "330"}), "R14").png()


def record() -> bytes | None:
    """The first page of a record, as it is printed; None without a Chromium or pdftoppm."""
    if shutil.which("pdftoppm") is None:
        return None
    from tubekit import load_amp, record as write, swap

    amp = load_amp("teasel").changed({"R14": "330"})
    with tempfile.TemporaryDirectory() as folder:
        done = write(
            Path(folder) / "record.html", amp, swap(amp.drawn, {"R14": "330"}), by="N. N.", date="2026-05-04",
            title="Teasel: cathode resistor of the output pair", decided="R14 becomes 330 Ω, 5 W.",
            why="The pair idles cooler, at today's line voltage too.",
        )  # fmt: skip
        if done.pdf_path is None:
            return None
        command = ["pdftoppm", "-png", "-r", "80", "-singlefile", str(done.pdf_path), f"{folder}/page"]
        subprocess.run(command, check=True)
        return (Path(folder) / "page.png").read_bytes()


PICTURES: dict[str, Callable[[], bytes | None]] = {
    "part-swap": part_swap, "load-line": load_line, "tone": tone, "bands": bands, "schematic": schematic,
    "record": record,
}  # fmt: skip


def draw(folder: Path = FOLDER) -> list[str]:
    """Draw every picture; returns the names of those that could not be drawn here."""
    folder.mkdir(exist_ok=True)
    left = []
    for name, made in PICTURES.items():
        raw = made()
        if raw is None:
            left.append(name)
        else:
            (folder / f"{name}.png").write_bytes(_small(raw))
    return left


def _small(raw: bytes) -> bytes:
    """The same picture in a palette, on white."""
    from PIL import Image

    picture = Image.open(BytesIO(raw)).convert("RGBA")
    paper = Image.new("RGBA", picture.size, "white")
    flat = Image.alpha_composite(paper, picture).convert("RGB")
    out = BytesIO()
    few = flat.quantize(COLORS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(out, "png", optimize=True)
    return out.getvalue()


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("MPLBACKEND", "agg")
    for missing in draw():
        print(f"{missing} stays as it is: no Chromium or pdftoppm here")  # noqa: T201

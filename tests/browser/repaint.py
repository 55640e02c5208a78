"""From a slider's move to the last repaint, in a headless Chromium; the inline way measured beside it.

    python -m tests.browser.repaint

Not a test: speed is measured by hand. For each panel 20 moves, each by one arrow key on the slider's
handle; the clock stops right after the browser has painted the first frame in which the picture that
belongs to the move stands decoded. The inline figure is the same figure, drawn anew and printed into an
output by the same slider.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
from pathlib import Path

import nbformat

from tests.browser.page import BENCH, PICTURE, Page, chromium, jupyterlab
from tubekit import panels

MOVES = 20
PANELS = {
    "part swap": ("panel = panels.part_swap('teasel'); panel.part = 'R14'", 0),
    "load line": ("panel = panels.load_line('6V6GT')", 3),
    "load line, pair": ("panel = panels.load_line('6V6GT', 'pair')", 3),
    "load line, plate resistor": ("panel = panels.load_line('12AX7')", 1),
    "tone, a control": ("panel = panels.tone('teasel')", 0),
    "tone, a part": ("panel = panels.tone('teasel')", 3),
    "hum, balance": ("panel = panels.hum('fescue')", 0),
    "hum, a filter capacitor": ("panel = panels.hum('teasel')", 3),
    "cathode bias": ("panel = panels.cathode_bias('12AX7')", 0),
    "supply": ("panel = panels.supply('teasel')", 0),
}
"""What makes each panel, and which of its sliders is moved."""
INLINE = """
import ipywidgets as widgets
from IPython.display import display
from tubekit import plots
from tubekit.analyses.loadline import load_line
slider = widgets.FloatSlider(value=5000, min=2000, max=9000, step=50)
slider.add_class('naive')
out = widgets.Output()
def again(change):
    with out:
        out.clear_output(wait=True)
        display(plots.load_line(load_line('6V6GT', plate=250, screen=250, grid=-12.5, load=change['new'])))
slider.observe(again, 'value'); again({'new': 5000})
widgets.VBox([slider, out])
"""
TIMER = """
const [css, handle, key, done] = [arguments[0], arguments[1], arguments[2], arguments[3]];
const picture = document.querySelector(css), start = performance.now(), after = new MessageChannel();
after.port1.onmessage = () => done(performance.now() - start);
const painted = () => requestAnimationFrame(() => after.port2.postMessage(0));
picture.addEventListener('load', () => picture.decode().catch(() => 0).then(painted), {once: true});
setTimeout(() => done(-1), 5000);
handle.focus();
handle.dispatchEvent(new KeyboardEvent('keydown', {key: key, bubbles: true}));
"""


def book(path: Path, source: str) -> None:
    """A notebook of one cell."""
    cell = nbformat.v4.new_code_cell(source)
    whole = nbformat.v4.new_notebook(cells=[cell])
    whole.metadata["kernelspec"] = {
        "display_name": "Python 3 (ipykernel)",
        "language": "python",
        "name": "python3",
    }
    nbformat.write(whole, path)


def moves(page: Page, css: str, handle: object, count: int = MOVES) -> list[float]:
    """Milliseconds of each move."""
    page.driver.set_script_timeout(30)
    result = []
    for place in range(count + 2):
        key = "ArrowRight" if place % 4 < 2 else "ArrowLeft"
        took = page.driver.execute_async_script(TIMER, css, handle, key)
        page.settle()
        if place >= 2:  # the first two warm up
            result.append(float(took))
    return result


def main(names: list[str]) -> None:
    """Measure the panels named, or all."""
    home = Path(tempfile.mkdtemp())
    folder = home / "notebooks"
    folder.mkdir()
    there = {name for name in PANELS if hasattr(panels, name.split(",")[0].replace(" ", "_"))}
    wanted = {name: PANELS[name] for name in PANELS if name in (names or there)}
    for place, (start, _) in enumerate(wanted.values()):
        book(folder / f"{place}.ipynb", f"from tubekit import panels\n{start}\npanel")
    book(folder / "inline.ipynb", INLINE)
    try:
        with jupyterlab(folder, home / "lab") as address, chromium(home / "browser") as driver:
            page = Page(driver, address)
            page.size(*BENCH)
            for place, (name, (_, slider)) in enumerate(wanted.items()):
                page.open(f"{place}.ipynb")
                page.run_all()
                report(name, moves(page, PICTURE, page.sliders()[slider]))
            page.open("inline.ipynb")
            page.run_all(".naive .noUi-handle")
            report(
                "the same as a new inline figure",
                moves(page, ".jp-OutputArea img", page.all(".naive .noUi-handle")[0]),
            )
    finally:
        shutil.rmtree(home, ignore_errors=True)


def report(name: str, times: list[float]) -> None:
    """One line."""
    lost = [t for t in times if t < 0]
    kept = [t for t in times if t >= 0]
    words = f"{len(lost)} of {len(times)} moves brought no picture" if lost else ""
    median = statistics.median(kept) if kept else float("nan")
    print(f"{name:34s} median {median:5.0f} ms, most {max(kept, default=0):5.0f} ms  {words}", flush=True)  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])

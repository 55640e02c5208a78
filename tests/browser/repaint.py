"""From a slider's move to the last repaint, in a headless Chromium, as a share of a new inline figure.

    python -m tests.browser.repaint ["load line" ...]

Not a test: speed is measured by hand. Below each panel the same page has a slider that draws a new figure
into an output at every move, as a notebook without panels would. Its moves and those of the panel take turns,
each by one arrow key on a handle; the clock stops when the browser has painted the last picture that the move
brings, decoded. The ratio is the median over pairs of moves, so what else the machine does is in both; it is
appended to `build/speed.json`, where the other ratios are.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
from pathlib import Path

import nbformat

from tests.benchmarks.speed import keep
from tests.browser.page import BENCH, PICTURE, Page, chromium, jupyterlab

MOVES = 20
QUIET_MS = 400
"""No picture for as long: the last one has come."""
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
slider.add_class('inline')
out = widgets.Output()
out.add_class('inline-figure')
def again(change):
    with out:
        out.clear_output(wait=True)
        display(plots.load_line(load_line('6V6GT', plate=250, screen=250, grid=-12.5, load=change['new'])))
slider.observe(again, 'value'); again({'new': 5000})
display(panel, widgets.VBox([slider, out]))
"""
"""The figure of the load line panel, calculated and drawn again from nothing."""
INLINE_HANDLE, INLINE_PICTURE = ".inline .noUi-handle", ".inline-figure img"
TIMER = """
const [css, handle, key, quiet, done] = arguments, after = new MessageChannel();
let painted = -1, timer = 0;
const stop = () => { document.removeEventListener('load', loaded, true); done(painted); };
const wait = (for_ms) => { clearTimeout(timer); timer = setTimeout(stop, for_ms); };
after.port1.onmessage = () => { painted = performance.now() - start; wait(quiet); };
// A new figure is a new image, so whichever comes is listened for, not the one that is there.
const loaded = ({target}) => { if (target.matches && target.matches(css)) target.decode().catch(() => 0).then(
  () => requestAnimationFrame(() => after.port2.postMessage(0))); };
document.addEventListener('load', loaded, true);
wait(5000);
handle.focus();
const start = performance.now();
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


def move(page: Page, css: str, handle: object, place: int) -> float:
    """Milliseconds of one move; -1 where it brought no picture."""
    key = "ArrowRight" if place % 4 < 2 else "ArrowLeft"
    took = page.driver.execute_async_script(TIMER, css, handle, key, QUIET_MS)
    page.settle()
    return float(took)


def pairs(page: Page, slider: int, count: int = MOVES) -> list[tuple[float, float]]:
    """Milliseconds of moves on a panel's slider, each with those of a new inline figure."""
    page.driver.set_script_timeout(30)
    result = []
    for place in range(count + 2):
        own = move(page, PICTURE, page.sliders()[slider], place)
        inline = move(page, INLINE_PICTURE, page.all(INLINE_HANDLE)[0], place)
        if place >= 2:  # the first two warm up
            result.append((own, inline))
    return result


def main(names: list[str]) -> None:
    """Measure the panels named, or all."""
    home = Path(tempfile.mkdtemp())
    folder = home / "notebooks"
    folder.mkdir()
    wanted = {name: PANELS[name] for name in PANELS if name in (names or PANELS)}
    for place, (start, _) in enumerate(wanted.values()):
        book(folder / f"{place}.ipynb", f"from tubekit import panels\n{start}\n{INLINE}")
    ratios: dict[str, float] = {}
    try:
        with jupyterlab(folder, home / "lab") as address, chromium(home / "browser") as driver:
            page = Page(driver, address)
            page.size(*BENCH)
            for place, (name, (_, slider)) in enumerate(wanted.items()):
                page.open(f"{place}.ipynb")
                page.run_all(INLINE_HANDLE)
                ratios[f"{name}: a new inline figure"] = report(name, pairs(page, slider))
    finally:
        shutil.rmtree(home, ignore_errors=True)
    keep(Path("build"), ratios, [])


def report(name: str, times: list[tuple[float, float]]) -> float:
    """One line; the ratio."""
    kept = [pair for pair in times if min(pair) > 0.0]
    own, inline = (statistics.median(each) for each in zip(*kept, strict=True))
    ratio = statistics.median(b / a for a, b in kept)
    print(  # noqa: T201
        f"{name:26s} {own:5.0f} ms, most {max(kept)[0]:5.0f} ms; inline {inline:5.0f} ms; 1/{ratio:.1f}; "
        f"{len(times) - len(kept)} of {len(times)} pairs lack a picture",
        flush=True,
    )
    return ratio


if __name__ == "__main__":
    main(sys.argv[1:])

"""Ten seconds of dragging a slider in a headless Chromium: does the picture keep up, does memory grow?

    python -m tests.browser.drag ["load line" ...]

Not a test: it is run by hand, alone on the machine. The pointer takes a handle, goes to and fro for ten
seconds at some 60 moves a second, and lets go. Reported for each panel: pictures a second, the longest
gap between two of them, the lag of the last picture after the pointer is let go, and heap of the page
(after a collection) and memory of the kernel before and after. A first drag warms up and is not counted.
"""

from __future__ import annotations

import contextlib
import itertools
import math
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.browser.page import BENCH, PICTURE, Page, chromium, jupyterlab
from tests.browser.repaint import PANELS, book
from tubekit import panels

SECONDS = 10.0
RATE_HZ = 60.0
QUIET_S = 1.5
"""No picture for as long: the last one has come."""
DRAGS = 2

WATCH = """
window.tubekitSeen = [];
const look = image => {
  new MutationObserver(() => image.decode().catch(() => 0).then(
    () => requestAnimationFrame(() => window.tubekitSeen.push(performance.now()))
  )).observe(image, {attributes: true, attributeFilter: ['src']});
};
document.querySelectorAll(arguments[0]).forEach(look);
"""


def drag(page: Page, handle: Any) -> dict[str, float]:
    """Drag a handle for SECONDS; times in milliseconds."""
    place = page.driver.execute_script(
        "arguments[0].scrollIntoView({block: 'center'});"
        "const a = arguments[0].getBoundingClientRect(), b = arguments[0].closest('.noUi-target')"
        ".getBoundingClientRect(); return [a.left + a.width / 2, a.top + a.height / 2, b.left, b.right]",
        handle,
    )
    x, y, left, right = place
    page.driver.execute_script(WATCH, PICTURE)
    _mouse(page, "mousePressed", x, y)
    start, moved = time.monotonic(), 0
    reach = 0.45 * (right - left)
    middle = 0.5 * (left + right)
    while (now := time.monotonic() - start) < SECONDS:
        # To and fro once in two and a half seconds, as a hand that looks for something.
        x = middle + reach * math.sin(2 * math.pi * now / 2.5)
        _mouse(page, "mouseMoved", x, y)
        moved += 1
        time.sleep(max(0.0, moved / RATE_HZ - (time.monotonic() - start)))
    let_go = page.driver.execute_script("return performance.now()")
    _mouse(page, "mouseReleased", x, y)
    seen: list[float] = []
    while True:
        time.sleep(QUIET_S)
        latest = page.driver.execute_script("return window.tubekitSeen")
        if len(latest) == len(seen):
            break
        seen = latest
    gaps = [later - sooner for sooner, later in itertools.pairwise(seen) if sooner <= let_go]
    return {
        "moves": moved, "pictures": len(seen), "gap": max(gaps, default=math.inf),
        "middle gap": statistics.median(gaps) if gaps else math.inf,
        "lag": max(0.0, seen[-1] - let_go) if seen else math.inf,
    }  # fmt: skip


def _mouse(page: Page, kind: str, x: float, y: float) -> None:
    held = {"button": "left", "buttons": 0 if kind == "mouseReleased" else 1, "clickCount": 1}
    page.driver.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": kind, "x": x, "y": y, **held})


def heap_mb(page: Page) -> float:
    """The page's JavaScript heap after a collection [MB]."""
    for _ in range(3):
        page.driver.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    used = page.driver.execute_cdp_cmd("Runtime.getHeapUsage", {})["usedSize"]
    return float(used) / 1e6


def kernel_mb(home: Path) -> float:
    """Memory of the kernels that a JupyterLab with that home started [MB, resident]."""
    total = 0.0
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            words = (process / "cmdline").read_bytes().decode(errors="replace")
            if "ipykernel" in words and str(home) in words:
                status = (process / "status").read_text()
                total += float(status.partition("VmRSS:")[2].split()[0]) / 1e3
    return total


def main(names: list[str]) -> None:
    """Measure the panels named, or all."""
    home = Path(tempfile.mkdtemp())
    (home / "notebooks").mkdir()
    there = {name for name in PANELS if hasattr(panels, name.split(",")[0].replace(" ", "_"))}
    wanted = {name: PANELS[name] for name in PANELS if name in (names or there)}
    try:
        with jupyterlab(home / "notebooks", home / "lab") as address, chromium(home / "browser") as driver:
            page = Page(driver, address)
            page.size(*BENCH)
            for place, (name, (start, slider)) in enumerate(wanted.items()):
                book(home / "notebooks" / f"{place}.ipynb", f"from tubekit import panels\n{start}\npanel")
                page.open(f"{place}.ipynb")
                page.run_all()
                _measure(page, home / "lab", name, slider)
                page.driver.get(f"{address}/lab/tree")
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _measure(page: Page, lab: Path, name: str, slider: int) -> None:
    drag(page, page.sliders()[slider])
    before = heap_mb(page), kernel_mb(lab)
    result = [drag(page, page.sliders()[slider]) for _ in range(DRAGS)]
    after = heap_mb(page), kernel_mb(lab)
    rate = statistics.mean(each["pictures"] for each in result) / SECONDS
    gap, lag = (max(each[key] for each in result) for key in ("gap", "lag"))
    middle = statistics.median(each["middle gap"] for each in result)
    print(  # noqa: T201
        f"{name:28s} {rate:5.1f} pictures/s  gap {middle:4.0f} ms, longest {gap:4.0f} ms  lag {lag:4.0f} ms  "
        f"heap {before[0]:6.1f} → {after[0]:6.1f} MB  kernels {before[1]:6.1f} → {after[1]:6.1f} MB",
        flush=True,
    )


if __name__ == "__main__":
    main(sys.argv[1:])

"""The numbers on the page are those of the package called directly."""

from __future__ import annotations

from typing import Any

import pytest

from tubekit import load_amp, swap
from tubekit.analyses.loadline import load_line
from tubekit.panels.answer import SAYS
from tubekit.panels.load_line import tables


@pytest.fixture
def opened(page: Any, request: pytest.FixtureRequest) -> Any:
    page.open(request.param)
    page.run_all()
    page.show_panel()
    return page


@pytest.mark.parametrize("opened", ["02-load-lines.ipynb"], indirect=True)
def test_load_line(opened: Any) -> None:
    from tests.browser.page import Keys

    slider = next(each for each in opened.sliders() if opened.label(each) == "grid, V")
    for _ in range(5):
        opened.press(slider, Keys.ARROW_LEFT)
    opened.settle()
    wanted = load_line("6V6GT", plate=250, screen=250, grid=-13.0, load=5000)
    (table,) = tables(wanted, wanted)
    assert opened.numbers() == {row[0]: row[1] for row in table.cells()}


@pytest.mark.parametrize("opened", ["01-part-swap.ipynb"], indirect=True)
def test_part_swap(opened: Any) -> None:
    from tests.browser.page import Keys

    slider = next(each for each in opened.sliders() if opened.label(each) == "V rms")
    for _ in range(4):
        opened.press(slider, Keys.ARROW_RIGHT)
    opened.settle()
    wanted = swap(load_amp("teasel").changed({}, mains_rms=119.0), {})
    said = opened.texts(".tubekit-panel .tubekit-headline") + opened.texts(
        ".tubekit-panel .tubekit-findings li"
    )
    findings = [f"{SAYS[finding.weight]} {finding.text}" for finding in wanted.verdict]
    assert said == [wanted.headline(), *findings]

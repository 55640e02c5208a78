"""The numbers on the page are those of the package called directly."""

from __future__ import annotations

from typing import Any

import pytest

from tubekit import load_amp, swap
from tubekit.amp.discharge import MEASURE
from tubekit.amp.hum import hum
from tubekit.amp.supply import supply_report
from tubekit.analyses.loadline import load_line
from tubekit.panels.cathode_bias_panel import table as bias_table
from tubekit.panels.hum_panel import tables as hum_tables
from tubekit.panels.load_line_panel import tables
from tubekit.panels.report_html import SAYS
from tubekit.panels.tone_panel import tables as tone_tables, tone
from tubekit.textbook.bias_stage import bias_stage
from tubekit.units import show


@pytest.mark.parametrize("opened", ["02-load-lines.ipynb"], indirect=True)
def test_load_line(opened: Any) -> None:
    from tests.browser.page import Keys

    for _ in range(5):
        opened.press(slider(opened, "grid (V)"), Keys.ARROW_LEFT)
    opened.settle()
    wanted = load_line("6V6GT", plate=250, screen=250, grid=-13.0, load=5000)
    (table,) = tables(wanted, wanted)
    assert opened.numbers() == {row[0]: row[1] for row in table.cells()}


@pytest.mark.parametrize("opened", ["01-part-swap.ipynb"], indirect=True)
def test_part_swap(opened: Any) -> None:
    from tests.browser.page import Keys

    for _ in range(4):
        opened.press(slider(opened, "line (V)"), Keys.ARROW_RIGHT)
    opened.settle()
    wanted = swap(load_amp("teasel").changed({}, mains_rms=119.0), {})
    text = opened.texts(".tubekit-panel .tubekit-headline") + opened.texts(
        ".tubekit-panel .tubekit-findings li"
    )
    findings = [f"{SAYS[finding.weight]} {finding.text}" for finding in wanted.verdict]
    assert text == [wanted.headline(), *findings]


def slider(page: Any, label: str) -> Any:
    """The slider with that label."""
    return next(each for each in page.sliders() if page.label(each) == label)


@pytest.mark.parametrize("opened", ["03-cathode-bias.ipynb"], indirect=True)
def test_cathode_bias(opened: Any) -> None:
    from tests.browser.page import Keys

    for _ in range(3):  # E24: 1600, 1800, 2000 ohm (IEC 60063)
        opened.press(slider(opened, "cathode"), Keys.ARROW_RIGHT)
    opened.settle()
    wanted = bias_stage(
        "12AX7", supply=250, load=100e3, cathode=2000, bypass_f=25e-6, next_grid=330e3, coupling_f=22e-9
    )
    assert opened.numbers() == {row[0]: row[1] for row in bias_table(wanted, wanted).cells()}


@pytest.mark.parametrize("opened", ["04-power-supply.ipynb"], indirect=True)
def test_supply_and_its_drawers(opened: Any) -> None:
    from tests.browser.page import Keys

    for _ in range(4):  # half a volt a step
        opened.press(slider(opened, "line (V)"), Keys.ARROW_RIGHT)
    opened.settle()
    wanted = supply_report(load_amp("teasel").changed({}, mains_rms=119.0))
    text = opened.numbers()
    for each in wanted.filters:
        assert text[each.a] == show(float(each.dc_v), "V", 4)
    assert text["ripple p-p"] == show(float(wanted.filter("C14").ripple_pp_v), "V")
    for place in range(3):
        opened.driver.execute_script(
            "arguments[0].click()", opened.all(".jupyter-widget-Collapse-header, .jp-Accordion-header")[place]
        )
        opened.until(
            "the drawer is filled", lambda: bool(opened.all(".lm-AccordionPanel img, .jupyter-widgets img"))
        )
        opened.settle(60)
    assert any(MEASURE[:60] in words for words in opened.texts(".tubekit-caution"))
    opened.driver.execute_script(
        "arguments[0].scrollIntoView({block: 'end'})", opened.all(".tubekit-caution")[-1]
    )
    opened.shoot("drawer")


@pytest.mark.parametrize("opened", ["05-tone.ipynb"], indirect=True)
def test_tone(opened: Any) -> None:
    from tests.browser.page import Keys

    slider = next(each for each in opened.sliders() if opened.label(each) == "treble")
    for _ in range(5):
        opened.press(slider, Keys.ARROW_RIGHT)
    alone = tone("teasel")
    now = alone.set({"R33.position": 0.55})
    wanted = dict(row[:2] for table in tone_tables(now, alone.before) for row in table.cells())
    opened.until("the words have followed", lambda: opened.numbers() == wanted, 20.0)


@pytest.mark.parametrize("opened", ["06-hum.ipynb"], indirect=True)
def test_hum(opened: Any) -> None:
    from tests.browser.page import Keys

    slider = next(each for each in opened.sliders() if opened.label(each) == "hum balance")
    for _ in range(5):
        opened.press(slider, Keys.ARROW_LEFT)
    amp = load_amp("fescue")
    (table,) = hum_tables(hum(amp.changed({"R54.position": 0.45})), hum(amp))
    wanted = {row[0]: row[1] for row in table.cells()}
    opened.until("the words have followed", lambda: wanted.items() <= opened.numbers().items(), 20.0)

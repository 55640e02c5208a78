"""What stands on the pages of bench and cable is what the package says, called directly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tubekit import load_amp
from tubekit.bench.cable import check_cable
from tubekit.bench.cable_errors import miswired
from tubekit.bench.fault_prediction import predict_readings
from tubekit.bench.readings import load_readings
from tubekit.bench.suspects import suspects
from tubekit.decisions.judge import judge
from tubekit.panels.bench_rows import MARKS
from tubekit.panels.cable_sheet import states_html

HOT = Path(__file__).resolve().parents[2] / "notebooks" / "readings" / "teasel-runs-hot.csv"
HEADLINES, FINDINGS = ".tubekit-panel .tubekit-headline", ".tubekit-panel .tubekit-findings li"


@pytest.mark.parametrize("opened", ["07-readings-and-suspects.ipynb"], indirect=True)
def test_what_a_fault_would_show(opened: Any) -> None:
    taken = load_readings(HOT, load_amp("teasel"))
    part = next(each for each in opened.lists() if "no fault chosen" in each.text)
    names = [each.text for each in part.find_elements("css selector", "option")]
    opened.choose(part, names.index("R14"))
    opened.settle()
    wanted = predict_readings(taken.amp, "R14 open", [r.probe for r in taken.readings])
    opened.until("it is told", lambda: wanted.headline() in opened.texts(HEADLINES))
    (table,) = wanted.tables()
    assert {row[0]: row[1] for row in table.cells()}.items() <= opened.numbers().items()


@pytest.mark.parametrize("opened", ["07-readings-and-suspects.ipynb"], indirect=True)
def test_readings_and_suspects(opened: Any) -> None:
    taken = load_readings(HOT, load_amp("teasel"))
    wanted = [MARKS[v.word] for v in judge(taken, size=4000).verdicts]
    assert opened.texts(".tubekit-panel .tubekit-verdict") == wanted
    click(opened, "Find the bad part")
    named = suspects(taken)
    opened.until("the question is answered", lambda: named.headline() in opened.texts(HEADLINES), 120.0)
    opened.settle()
    text = opened.texts(FINDINGS)
    assert all(any(each.words in line for line in text) for each in named.suspects)
    assert any(str(named.following[0].probe) in line for line in text)
    # The reading that was asked for is added by its button, typed, and weighed with the others at once.
    opened.shoot("asked")
    click(opened, "Add g3")
    opened.settle()
    entry = opened.all(".tubekit-panel .tubekit-line input")[-1]
    assert "g3" in str(entry.get_attribute("title"))
    opened.press(entry, "18.88", "\ue007")
    opened.until(
        "C11 is named", lambda: any("most likely C11 leaky" in each for each in opened.texts(HEADLINES)), 30.0
    )
    opened.shoot("answered")
    assert opened.crossing() == []
    # A value that cannot be is told beside its row, and the others stay.
    opened.press(entry, "\ue009a", "\ue000", "18O", "\ue007")
    opened.until(
        "the slip is told", lambda: any("18O" in e for e in opened.texts(".tubekit-complaint")), 30.0
    )
    assert opened.console() == []
    opened.name = ""  # rows that were added stay after a reset


@pytest.mark.parametrize("opened", ["08-cable.ipynb"], indirect=True)
def test_cable(opened: Any) -> None:
    amp = load_amp("fescue")
    cells = {
        str(e.get_attribute("title")).partition(",")[0]: e for e in opened.all(".tubekit-panel .tubekit-cell")
    }
    before = opened.picture()
    for _ in range(2):
        opened.driver.execute_script("arguments[0].click()", cells["P2.4 to P3.4"])
        opened.settle()
    result = check_cable(amp, [("P2.4", "P3.4", "no")])
    opened.until(
        "the fault is told", lambda: any(result.faults[0].text in e for e in opened.texts(FINDINGS)), 20.0
    )
    assert opened.picture() != before
    assert cells["P2.4 to P3.4"].text == "– !"
    opened.shoot("open")
    slips = opened.lists()[-1]
    names = [each.text for each in slips.find_elements("css selector", "option")]
    opened.choose(slips, names.index("swap two pins"))
    opened.settle()
    wanted = check_cable(amp, miswired(amp, "swap two pins", "P2.1", "P2.2"))
    opened.until(
        "the swap is told", lambda: any(wanted.faults[0].text in e for e in opened.texts(FINDINGS)), 20.0
    )
    for sentence in (*wanted.consequences, *(s.words for s in wanted.drawn_states)):
        assert any(sentence in each for each in opened.texts(FINDINGS)), sentence
    assert states_html(wanted).count("<li>") == len(wanted.drawn_states)
    opened.shoot("swapped")
    assert opened.crossing() == []
    assert opened.console() == []


def click(page: Any, words: str) -> None:
    button = next(each for each in page.all(".tubekit-panel button") if each.text == words)
    page.driver.execute_script("arguments[0].click()", button)

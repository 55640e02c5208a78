"""The substitutes panel against `substitutes` and `swap` called directly."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tubekit.amp import load_amp
from tubekit.decisions import swap
from tubekit.decisions.substitutes import substitutes as alone
from tubekit.errors import ChangeError, SolveError
from tubekit.panels import SubstitutesPanel, substitutes
from tubekit.panels.substitutes_panel import STILL, parts_of, table
from tubekit.plots.substitutes_view import MARKS


@pytest.fixture(scope="module")
def shared() -> SubstitutesPanel:
    return substitutes("teasel", "C14")


@pytest.fixture
def panel(shared: SubstitutesPanel) -> SubstitutesPanel:
    shared.reset()
    return shared


def drawn_rows(panel: SubstitutesPanel, column: int) -> dict[int, float]:
    """Row to where its mark stands, in one column, whether it will do or not."""
    view = panel.figure.view
    lines = [*view.dots[column].values(), *view.beyond[column].values()]
    return {int(y): float(x) for line in lines for x, y in zip(*line.get_data(), strict=True)}


def agrees(panel: SubstitutesPanel, part: str, within: float = 5.0, series: str | None = None) -> None:
    wanted = alone(load_amp("teasel"), part, tolerance_percent=within, series=series)
    shown = panel.result.found
    assert [(c.name, c.keeps, c.why_not) for c in shown.candidates] == [
        (c.name, c.keeps, c.why_not) for c in wanted.candidates
    ]
    rows = wanted.candidates[: len(panel.figure.view.names)]
    assert [text.get_text() for text in panel.figure.view.names] == [c.name for c in rows]
    assert [text.get_text() for text in panel.figure.view.words] == ["OK" if c.keeps else "no" for c in rows]
    volts = drawn_rows(panel, 1)
    assert_allclose([volts[k] for k in range(len(rows))], [c.b_plus_v for c in rows], rtol=1e-6)


def test_rows_are_those_of_substitutes(panel: SubstitutesPanel) -> None:
    agrees(panel, "C14")
    will, will_not = (panel.figure.view.dots[0][keeps] for keeps in (True, False))
    assert len(will.get_xdata()) == len(panel.result.found.kept)
    assert (will.get_marker(), will_not.get_marker()) == (MARKS[True][0], MARKS[False][0])  # not color alone


def test_the_tolerance_judges_anew_without_a_solve(panel: SubstitutesPanel, monkeypatch) -> None:
    panel.set(part="R21")
    monkeypatch.setattr("tubekit.panels.substitutes_panel.look_for", None)
    for within in (1.5, 12.0):
        panel.knob("within").slider.value = within
        monkeypatch.undo()
        agrees(panel, "R21", within)
        monkeypatch.setattr("tubekit.panels.substitutes_panel.look_for", None)
        assert panel.figure.view.tolerance.get_width() == pytest.approx(2 * within)


def test_a_candidate_is_swapped_in_for_the_details(panel: SubstitutesPanel) -> None:
    panel.knob("candidate").choice.value = "47 µF"
    report = swap(load_amp("teasel"), {"C14": "47u"})
    for check in report.limits_after.exceeded:
        assert check.part in panel.numbers.value
    assert "2.3 times the 20 µF that the data sheet allows" in panel.numbers.value
    assert ">NO<" in panel.numbers.value
    assert table(panel.result).html() in panel.numbers.value
    assert panel.result.swap.after.node("B1").dc_v == pytest.approx(report.after.node("B1").dc_v, rel=1e-6)
    assert "% over" in panel.numbers.value  # 47 µF where the maker of the rectifier allows 20
    framed = panel.figure.view.bands[0]
    place = [c.name for c in panel.result.found.candidates].index("47 µF")
    assert framed.get_visible()
    assert framed.get_y() == pytest.approx(place - 0.45)


@pytest.mark.parametrize("part", ["V5", "V1", "R14"])
def test_another_part_brings_its_own_list(panel: SubstitutesPanel, part: str) -> None:
    panel.knob("part").choice.value = part
    agrees(panel, part)
    assert panel.settings["candidate"] != panel.result.found.drawn
    assert panel.knob("series").layout.display == ("none" if part.startswith("V") else "")


def test_another_series(panel: SubstitutesPanel) -> None:
    panel.set(part="R21")
    panel.knob("series").choice.value = "E6"
    agrees(panel, "R21", series="E6")
    assert len(panel.figure.view.names) == len(panel.result.found.candidates)


def test_undo_redo_and_as_it_came(panel: SubstitutesPanel) -> None:
    panel.set(part="R14")
    panel.set(candidate="330 Ω")
    panel.buttons["undo"].click()
    assert panel.settings["candidate"] != "330 Ω"
    panel.buttons["undo"].click()
    assert panel.settings["part"] == "C14"
    panel.buttons["redo"].click()
    agrees(panel, "R14")
    panel.buttons["reset"].click()
    agrees(panel, "C14")


def test_keep_as_before_fits_the_candidate(panel: SubstitutesPanel) -> None:
    panel.set(candidate="10 µF")
    panel.buttons["keep"].click()
    assert panel.result.found.amp.parts["C14"].farads == pytest.approx(10e-6)
    panel.set(part="V5")
    wanted = alone(load_amp("teasel").changed({"C14": "10u"}), "V5")
    assert [c.name for c in panel.result.found.candidates] == [c.name for c in wanted.candidates]
    assert any("C14 10 µF" in words for words, _ in panel.knob("amp").choice.options)


@pytest.mark.painted
def test_the_copy_has_the_candidate_in_it(panel: SubstitutesPanel, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    panel.set(candidate="10 µF")
    panel.buttons["amp_file"].click()
    assert load_amp(tmp_path / "teasel-changed.toml").parts["C14"].farads == pytest.approx(10e-6)
    panel.buttons["picture"].click()
    assert (tmp_path / "teasel-C14-substitutes.png").stat().st_size > 10_000


def test_a_part_of_which_nothing_here_depends_says_so(panel: SubstitutesPanel) -> None:
    panel.set(part="C2")  # a coupling capacitor: it holds no rail
    assert STILL in panel.numbers.value
    panel.set(part="C14")
    assert STILL not in panel.numbers.value


def test_every_candidate_stands_in_the_fold_while_it_is_open(panel: SubstitutesPanel) -> None:
    panel.details.selected_index = 0
    assert panel.result.found.tables()[0].html() in panel.opened.value
    assert "can kill" in panel.opened.value
    panel.details.selected_index = None


def test_without_an_answer_the_last_list_stands_in_gray(panel: SubstitutesPanel, monkeypatch) -> None:
    good = panel.result

    def gives_up(amp, part, **options):
        raise SolveError("does not settle", worst=part, residual=1.0, iterations=99, best=None)

    monkeypatch.setattr("tubekit.panels.substitutes_panel.look_for", gives_up)
    panel.knob("part").choice.value = "C15"
    assert "does not settle" in panel.knob("part").complaint.value
    assert panel.result is good
    assert panel.knob("part").choice.value == "C14"


def test_only_parts_with_substitutes_are_offered() -> None:
    amp = load_amp("teasel")
    names = [name for _, name in parts_of(amp)]
    assert names[0] == "V5"
    assert {"C14", "R14", "V1"} <= set(names)
    assert not {"T1", "J1", "LS1", "R31"} & set(names)
    with pytest.raises(ChangeError, match="T1"):
        substitutes("teasel", "T1")


def test_marks_beyond_the_scale_stand_at_its_end(panel: SubstitutesPanel) -> None:
    used = {k: c.used_percent for k, c in enumerate(panel.result.found.candidates)}
    marks = drawn_rows(panel, 4)
    for row, percent in used.items():
        if np.isfinite(percent):
            assert marks[row] == pytest.approx(min(percent, 150.0))
    assert max(used.values()) > 150.0

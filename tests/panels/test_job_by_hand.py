"""The jobs that ship, made again on the job panel: each kind of command there, to the same journal."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.panels.job_by_hand import WidgetHand, do, entered
from tubekit.files import data_file
from tubekit.jobs import open_job, sentences
from tubekit.panels import job_panel
from tubekit.panels.job_panel import PRACTICE, JobPanel

AMPS = {"teasel-runs-hot": "Ottermere Teasel", "thrum-hums": "Brackwell Thrum"}


@pytest.fixture(params=PRACTICE)
def shipped(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job that ships; its enclosed files lie in the folder that is worked in."""
    folder = data_file("jobs", request.param)
    shutil.copytree(folder / "enclosed", tmp_path / "enclosed")
    shutil.copy(folder / "enclosed" / "drawn.toml", tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(job_panel, "PAUSE_S", 0.0)
    monkeypatch.setattr(JobPanel, "_draw", lambda *_: None)
    return folder


def made_again(shipped: Path, lines: list[str]) -> JobPanel:
    """The panel after these commands; the one that ships refused is refused here too."""
    panel = JobPanel("")
    hand = WidgetHand(panel)
    for line in lines:
        do(hand, line, "again", AMPS[shipped.name])
        assert ("still installed" if line == "hand-back" else "") in panel.notice.value, line
        assert bool(panel.notice.value) == (line == "hand-back"), (line, panel.notice.value)
    return panel


def commands(shipped: Path) -> list[str]:
    return (shipped / "commands.txt").read_text(encoding="utf-8").splitlines()


@pytest.mark.slow
def test_a_whole_job_is_the_journal_that_ships(shipped: Path) -> None:
    made_again(shipped, commands(shipped))
    assert entered(Path("again")) == entered(shipped)
    assert open_job("again").handed_back
    assert sentences(open_job("again"))[1:] == sentences(open_job(shipped))[1:]


def test_a_line_of_the_list_is_replaced_by_the_same_quantity_only(shipped: Path) -> None:
    panel = made_again(shipped, commands(shipped)[:1])
    panel.form.kind.value = "read"
    for value in ("397", "12.1Vpp", "395"):
        panel.form.what.value, panel.form.value.value = "B1", value
        panel.form.add()
    assert panel.form.lines == ("B1=12.1Vpp", "B1=395")

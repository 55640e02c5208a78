"""The two jobs that ship: complete, readable, and driven again through the command."""

from __future__ import annotations

import shlex
import shutil
import subprocess

import pytest

from tubekit.cli import main
from tubekit.files import data_file
from tubekit.jobs.job import STOP, open_job
from tubekit.jobs.owner import sentences
from tubekit.jobs.progress import bench_rows
from tubekit.record.job_pages import print_job

JOBS = ("teasel-runs-hot", "thrum-hums")


@pytest.fixture(params=JOBS)
def folder(request):
    return data_file("jobs", request.param)


def test_a_shipped_job_is_whole(folder):
    job = open_job(folder)
    assert job.journal.notes == ()
    assert [each.number for each in job.journal.entries] == list(range(1, job.last + 1))
    assert job.handed_back
    assert not job.temporary
    assert not job.stopped
    kinds = {each.kind for each in job.entries}
    assert kinds >= {
        "new",
        "readings",
        "decide",
        "have",
        "fit",
        "temporary",
        "off",
        "sheet",
        "step",
        "hand-back",
    }
    assert {each["name"] for each in job.of_kind("sheet")} == {"up", "idle", "drive", "hum", "hand-back"}
    assert len({each.date.date() for each in job.entries}) >= 2  # over days
    assert {row[-1] for row in bench_rows(job).rows} <= {"GO ON", "DONE"}


def test_the_owner_gets_six_plain_sentences(folder):
    said = sentences(open_job(folder))
    assert len(said) == 6
    assert all(line.endswith(".") and len(line) < 260 for line in said)
    assert not any(word in " ".join(said).lower() for word in ("likely", "chance", "probab", "nan", "none"))


@pytest.mark.parametrize("do", ["status", "owner"])
def test_answers_fit_a_terminal(folder, do, capsys):
    assert main(["job", do, str(folder)]) == 0
    out = capsys.readouterr().out.splitlines()
    assert len(out) <= 25
    assert max(map(len, out)) <= 100


def test_pages_hold_what_was_done(folder, tmp_path):
    copy = shutil.copytree(folder, tmp_path / "job")
    job = open_job(copy)
    owner, bench = (path.read_text(encoding="utf-8") for path in print_job(job, pdf=False).paths)
    assert all(each.why.split(":")[0] in owner for each in job.decisions)
    assert "can kill" in owner
    for words in ("Readings", "Decisions", "Steps", "Entries", "GO ON"):
        assert words in bench
    again = print_job(job, pdf=False).paths
    assert [path.name for path in again] == ["owner-2.html", "bench-2.html"]


@pytest.mark.slow
def test_the_owners_page_is_one_page(folder, tmp_path):
    if not (shutil.which("pdfinfo") and shutil.which("chromium")):
        pytest.skip("no chromium or pdfinfo")
    copy = shutil.copytree(folder, tmp_path / "job")
    paths = {path.name: path for path in print_job(open_job(copy)).paths}
    info = subprocess.run(["pdfinfo", paths["owner.pdf"]], capture_output=True, text=True, check=True).stdout
    assert "Pages:           1\n" in info


@pytest.mark.slow
def test_a_shipped_job_is_what_its_commands_give(folder, tmp_path, monkeypatch, capsys):
    """The same words, typed again: the same entries with the same results."""
    again = str(tmp_path / "job")
    monkeypatch.chdir(folder)
    for line in (folder / "commands.txt").read_text(encoding="utf-8").splitlines():
        do, *words = shlex.split(line)
        code = main(["job", do, again, *words])
        out = capsys.readouterr().out.splitlines()
        assert len(out) <= 25
        assert max(map(len, out), default=0) <= 100
        refused = do == "hand-back" and not words
        assert code == (2 if refused else 0), line
    first, second = open_job(folder), open_job(again)
    assert [(e.kind, e.by, e["go"]) for e in second.entries] == [
        (e.kind, e.by, e["go"]) for e in first.entries
    ]
    assert [e.kind for e in second.entries].count("step") > 40
    assert STOP not in {e["go"] for e in second.entries}
    decided = [[(d.part, d.value, d.state) for d in job.decisions] for job in (first, second)]
    assert decided[0] == decided[1]

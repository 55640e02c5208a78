"""Five hundred of the inputs of `python -m tests.fuzz`, and what it looks for in an answer."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.amps import reading_so, solved
from tests.fuzz import outcomes, unlawful
from tubekit.cli import main

EACH = 25


@pytest.mark.parametrize("seed", range(20))
def test_nonsense_is_answered_or_refused(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    every = [*outcomes(EACH, 1, first=EACH * seed)]
    assert [each for each in every if each[2] not in ("answered", "refused")] == []
    assert [*tmp_path.iterdir()] == []


@pytest.mark.parametrize(
    "number", [11012579, 11028448, 11030550, 11036650, 11045300],
    ids=["NUL in a name", "no place", "hot filament", "10 ohms", "1 ohm"],
)  # fmt: skip
def test_what_once_was_a_defect_is_none(number: int) -> None:
    """The first two were; the others were false alarms, of voltages that are reported as zero."""
    ((_, _, outcome),) = outcomes(1, 11, first=number - 11_000_000)
    assert outcome in ("answered", "refused")


def test_a_law_that_is_broken_is_seen() -> None:
    report = solved("teasel")
    assert unlawful(report) == ""
    first = report.tubes[0]
    assert "gives off heat" in unlawful(reading_so(report, first.section, plate_w=-1.0))
    assert "vanish at" in unlawful(reading_so(report, first.section, plate_a=1.01 * first.plate_a))


def test_a_name_that_is_none_is_refused_by_a_job(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "new", "a\0b", "teasel"]) == 2
    assert "not a name for a file" in capsys.readouterr().err

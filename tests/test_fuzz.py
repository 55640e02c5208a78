"""Five hundred of the inputs of `python -m tests.fuzz`, and what it looks for in an answer."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.amps import reading_so, solved
from tests.fuzz import outcomes, unlawful

EACH = 25


@pytest.mark.parametrize("seed", range(20))
def test_nonsense_is_answered_or_refused(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    every = [*outcomes(EACH, 1, first=EACH * seed)]
    assert [each for each in every if each[2] not in ("answered", "refused")] == []
    assert [*tmp_path.iterdir()] == []


def test_a_law_that_is_broken_is_seen() -> None:
    report = solved("teasel")
    assert unlawful(report) == ""
    first = report.tubes[0]
    assert "gives off heat" in unlawful(reading_so(report, first.section, plate_w=-1.0))
    assert "vanish at" in unlawful(reading_so(report, first.section, plate_a=1.01 * first.plate_a))

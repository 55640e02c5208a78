"""Files: what a killed writer leaves, and a clock that was never set."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.amps import amp
from tubekit import load_amp
from tubekit.files import write_whole


def test_what_a_killed_writer_left_goes_at_the_next_write(tmp_path: Path) -> None:
    old, young, other = (tmp_path / name for name in (".tubekit-1.part", ".tubekit-2.part", "mine.part"))
    for path in (old, young, other):
        path.touch()
    for path in (old, other):
        os.utime(path, (0, 0))
    write_whole(tmp_path / "file.txt", b"x")
    assert sorted(path.name for path in tmp_path.iterdir()) == [".tubekit-2.part", "file.txt", "mine.part"]


def test_a_spreadsheet_is_written_by_a_clock_in_1970(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a folder with blanks and umlauts; ZIP knows no date before 1980."""
    monkeypatch.setattr(time, "time", lambda: 1000.0)
    folder = tmp_path / "Röhren im Keller"
    folder.mkdir()
    path = amp("teasel").save_as(folder / "a.xlsx")
    assert load_amp(path).title == amp("teasel").title

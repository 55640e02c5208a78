"""A job begun and its first steps answered in the browser, by the driver of tests/panels."""

from __future__ import annotations

import shutil
from typing import Any

import pytest

from tests.panels.job_by_hand import do, entered
from tubekit.files import data_file

LINES = (
    "new enclosed/drawn.toml --by 'T. Osk' --owner 'Orrin Quill' --complaint hums",
    "temp 'jumper across S1'",
    "off jumper",
    "next ok 127mA 29.08",
)


@pytest.mark.parametrize("opened", ["11-job.ipynb"], indirect=True)
def test_a_job_is_begun_and_its_first_steps_are_answered(opened: Any) -> None:
    from tests.browser.job_hand import BrowserHand

    home = opened.home / "notebooks"
    shutil.copy(data_file("jobs", "thrum-hums") / "enclosed" / "drawn.toml", home)
    hand = BrowserHand(opened, home / "again")
    for line in LINES:
        do(hand, line, "again", "Brackwell Thrum")
    made = [(kind, by) for kind, by, _ in entered(home / "again")]
    assert made == [(kind, "T. Osk") for kind in ("new", "temporary", "off", "sheet", "step", "step", "step")]
    assert [says.get("value") for _, _, says in entered(home / "again")[-3:]] == [None, "0.127", "29.08"]
    assert opened.crossing() == []
    assert opened.console() == []
    opened.name = ""

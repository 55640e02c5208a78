"""A writer that is killed, at whichever step, leaves the old file whole, or the new one whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the writers are forked")
PROGRAM = Path(__file__).with_name("killed_writers.py")
ROOT = PROGRAM.parents[2]


def runs_of(writer: str, folder: Path, begun: dict[str, str]) -> list[dict[str, Any]]:
    """What was there after each step at which `writer` was killed; the last run was left alone."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "MPLCONFIGDIR": str(folder.parent / "mpl")}
    command = [sys.executable, str(PROGRAM), writer, str(folder)]
    done = subprocess.run(command, input=json.dumps(begun), env=env, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    runs: list[dict[str, Any]] = json.loads(done.stdout)
    steps = {run["step"] for run in runs[:-1]}
    assert {"BufferedWriter.write", "fsync", "chmod"} <= steps
    assert runs[-1]["step"] == ""
    return runs


def parts(there: dict[str, str]) -> list[str]:
    return [name for name in there if name.endswith(".part")]


@pytest.mark.parametrize(("writer", "old"), [("write_over", "old"), ("write_new", None)])
def test_one_file_is_whole_or_as_it_was(writer: str, old: str | None, tmp_path: Path) -> None:
    begun = {} if old is None else {"a.txt": old}
    runs = runs_of(writer, tmp_path / "place", begun)
    new = "new " * 5000
    afterwards = [run["there"].get("a.txt") for run in runs]
    assert set(afterwards) == {old, new}
    turn = afterwards.index(new)
    assert set(afterwards[turn:]) == {new}  # from one step on
    assert any(parts(run["there"]) for run in runs[:turn])
    assert all(run["later"]["a.txt"] == new and not parts(run["later"]) for run in runs)


def test_exported_pages_are_whole_or_as_they_were(tmp_path: Path) -> None:
    """Two notebooks and the list of them: each file by itself, and the list last."""
    begun = {f"out/{name}.html": "old" for name in ("index", "08-cable")}
    for name in ("08-cable", "09-substitutes"):
        text = (ROOT / "notebooks" / f"{name}.ipynb").read_text(encoding="utf-8")
        begun[f"books/{name}.ipynb"] = text
    runs = runs_of("export_pages", tmp_path / "place", begun)
    whole = runs[-1]["there"]
    pages = [name for name in whole if name.endswith(".html")]
    assert len(pages) == 3
    assert not parts(whole)
    for run in runs:
        for name in pages:
            assert run["there"].get(name) in (begun.get(name), whole[name]), (name, run["step"])
        if run["there"]["out/index.html"] != "old":
            assert all(run["there"][name] == whole[name] for name in pages), run["step"]
        assert {name: run["later"][name] for name in pages} == {name: whole[name] for name in pages}
        assert not parts(run["later"])


def test_a_saved_form_and_its_draft_are_whole_or_as_they_were(tmp_path: Path) -> None:
    begun = {"unfinished-amp.draft": "old", "new-title.toml": "mine"}
    runs = runs_of("save_form", tmp_path / "place", begun)
    whole = runs[-1]["there"]
    assert set(whole) == {*begun, "new-title-2.toml"}
    assert 'title = "New title"' in whole["new-title-2.toml"]
    for run in runs:
        there = run["there"]
        assert there["new-title.toml"] == "mine"
        assert there["unfinished-amp.draft"] in ("old", whole["unfinished-amp.draft"]), run["step"]
        assert there.get("new-title-2.toml") in (None, whole["new-title-2.toml"]), run["step"]
        assert not parts(run["later"])
    assert len({run["there"]["unfinished-amp.draft"] for run in runs}) == 2
    assert any("new-title-2.toml" not in run["there"] for run in runs)

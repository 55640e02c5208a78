"""`fit` in a terminal: words, JSON, a saved file, and exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tubekit.cli.main import main

POINTS = "plate_v,grid_v,plate_ma\n" + "\n".join(
    f"{plate},{grid},{max(0.0, (grid + plate / 20) ** 1.5):.4f}"
    for plate in (100, 150, 200, 250)
    for grid in (-1, -2, -4)
)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.csv").write_text(POINTS + "\n", encoding="utf-8")
    return tmp_path


def test_it_prints_and_writes_nothing_unasked(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", "bench.csv", "--kind", "triode"]) == 0
    text = capsys.readouterr()
    assert text.out.startswith("bench: a triode fitted to 12 points of bench.csv")
    assert text.err == ""
    assert [each.name for each in bench.iterdir()] == ["bench.csv"]


def test_json_and_a_saved_file(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["fit", "bench.csv", "--like", "6SN7GT", "--name", "mine", "--save", "mine.toml", "--json"]
    assert main(asked) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["type"] == "mine"
    assert result["law"]["mu"] == pytest.approx(20.0, rel=0.1)
    assert (bench / "mine.toml").exists()
    assert main(asked) == 2
    assert "mine.toml: there is a file of this name already" in capsys.readouterr().err
    assert main([*asked, "--overwrite"]) == 0


def test_what_cannot_be_is_said_with_exit_code_two(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", "bench.csv"]) == 2
    assert "kind: is missing" in capsys.readouterr().err
    assert main(["fit", "none.csv", "--kind", "triode"]) == 2
    assert "none.csv: cannot be read" in capsys.readouterr().err
    with pytest.raises(SystemExit) as stopped:
        main(["fit", "bench.csv", "--kind", "lamp"])
    assert stopped.value.code == 2

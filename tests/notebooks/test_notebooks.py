"""What every notebook keeps to; nbval runs them and compares their outputs."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from tubekit.text import CAUTION

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
BOOKS = [
    path for folder in ("", "lessons", "reference") for path in sorted((FOLDER / folder).glob("*.ipynb"))
]
MACHINE = re.compile(
    r"(?<![\w.])/(?:work|tmp|root|home|Users)/|[A-Z]:\\\\Users|file://|localhost|127\.0\.0\.1"
)


def read(path: Path) -> dict[str, Any]:
    return json.loads(path.read_text(encoding="utf-8"))


def code(path: Path) -> list[dict[str, Any]]:
    return [cell for cell in read(path)["cells"] if cell["cell_type"] == "code"]


def test_there_are_notebooks() -> None:
    assert BOOKS


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_metadata_is_that_of_no_machine(path: Path) -> None:
    book = read(path)
    assert set(book["metadata"]) == {"kernelspec", "language_info"}
    assert book["metadata"]["kernelspec"]["name"] == "python3"
    assert book["metadata"]["language_info"] == {"name": "python"}
    assert all(set(cell["metadata"]) <= {"jupyter", "tags"} for cell in book["cells"])
    assert not MACHINE.search(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_it_is_saved_as_run_from_top_to_bottom(path: Path) -> None:
    assert [cell["execution_count"] for cell in code(path)] == list(range(1, len(code(path)) + 1))
    outputs = [output for cell in code(path) for output in cell["outputs"]]
    assert not [output for output in outputs if output["output_type"] == "error"]
    assert not [output for output in outputs if output.get("name") == "stderr"]


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_it_reads_without_a_kernel(path: Path) -> None:
    """A figure and a table stand in the file itself, not only in widgets."""
    kinds = {kind for cell in code(path) for output in cell["outputs"] for kind in output.get("data", {})}
    assert {"image/png", "text/html"} <= kinds
    assert not any("widget" in kind for kind in kinds)


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_every_saved_picture_is_said_in_words(path: Path) -> None:
    shown = [
        output for cell in code(path) for output in cell["outputs"] if "image/png" in output.get("data", {})
    ]
    assert shown
    assert all(output["metadata"].get("image/png", {}).get("alt") for output in shown)


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_it_opens_with_one_question_and_the_caution(path: Path) -> None:
    first = "".join(read(path)["cells"][0]["source"])
    title = first.splitlines()[0]
    assert title.startswith("# ")
    assert title.endswith("?")
    assert CAUTION in " ".join(first.split())


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_panels_are_not_compared_and_everything_else_is(path: Path) -> None:
    for cell in code(path):
        source = "".join(cell["source"])
        shows_a_panel = "The panel appears here" in json.dumps(cell["outputs"])
        assert ("nbval-ignore-output" in cell["metadata"].get("tags", ())) == shows_a_panel, source


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_it_checks_itself_and_names_its_sources(path: Path) -> None:
    checks = ["".join(cell["source"]) for cell in code(path) if "assert_allclose" in "".join(cell["source"])]
    assert checks
    for source in checks:
        lines = source.splitlines()
        for number, line in enumerate(lines):
            if line.lstrip().startswith("assert"):
                above = next((text for text in reversed(lines[:number]) if text.startswith("#")), "")
                assert above, f"no source beside: {line}"


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_links_to_other_notebooks_lead_somewhere(path: Path) -> None:
    words = "".join(
        "".join(cell["source"]) for cell in read(path)["cells"] if cell["cell_type"] == "markdown"
    )
    for link in re.findall(r"\]\(([^)]+)\)", words):
        assert (path.parent / link).exists(), link


def test_the_first_page_begins_with_a_tile_for_every_notebook() -> None:
    cells = read(FOLDER / "00-start-here.ipynb")["cells"]
    tiles = re.findall(
        r"^- \[\*\*[^*]+\*\*<br>[^]]+\]\(([^)]+)\)$", "".join(cells[1]["source"]), re.MULTILINE
    )
    assert {path.name for path in FOLDER.glob("[0-9]*.ipynb")} - set(tiles) == {"00-start-here.ipynb"}
    assert "lessons/01-idle-current.ipynb" in tiles

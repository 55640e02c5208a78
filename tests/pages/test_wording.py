"""A page asks nothing of a menu that it does not have."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest

from tubekit.pages.wording import linked_as_files, question_of, without_menu

BOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").rglob("*.ipynb"))


def book(words: str) -> nbformat.NotebookNode:
    return nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_markdown_cell(words), nbformat.v4.new_code_cell("1")]
    )


@pytest.mark.parametrize(
    ("words", "left"),
    [
        ("In the menu choose **Run**, then **Run All Cells**. Then pick it.", "Pick it."),
        ("In the menu choose **Run**, then\n**Run All Cells**. Nothing is typed.", "Nothing is typed."),
        ("So: in the menu choose **Run**, then **Run All Cells**.", "So: "),
        ("Run the amp at 117 V.", "Run the amp at 117 V."),
    ],
)
def test_the_menu_is_left_out(words: str, left: str) -> None:
    before = book(words)
    assert without_menu(before).cells[0].source == left
    assert before.cells[0].source == words  # a copy


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_no_notebook_speaks_of_the_menu_on_a_page(path: Path) -> None:
    words = without_menu(nbformat.read(path, as_version=4))
    texts = [cell.source for cell in words.cells if cell.cell_type == "markdown"]
    assert not [text for text in texts if "Run All" in text or "**Run**" in text]


@pytest.mark.parametrize(
    ("link", "kept"),
    [
        ("[a](05-tone.ipynb)", "[a](05-tone.html)"),
        ("[a](lessons/01.ipynb#top)", "[a](lessons/01.html#top)"),
        ("[a](https://example.org/x.ipynb)", "[a](https://example.org/x.ipynb)"),
        ("[a](pictures/x.png)", "[a](pictures/x.png)"),
    ],
)
def test_links_between_notebooks_become_links_between_pages(link: str, kept: str) -> None:
    assert linked_as_files(book(link)).cells[0].source == kept


def test_the_question_is_the_first_heading(tmp_path: Path) -> None:
    path = tmp_path / "03-why.ipynb"
    nbformat.write(book("Words.\n\n# Why does it hum?\n\n## Because"), path)
    assert question_of(path) == "Why does it hum?"
    nbformat.write(book("No heading"), path)
    assert question_of(path) == "03-why"


@pytest.mark.parametrize("raw", [b"", b"{", b"[1]", b"\xff\xfe"])
def test_a_broken_notebook_has_its_name_for_a_question(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "broken.ipynb"
    path.write_bytes(raw)
    assert question_of(path) == "broken"
    assert question_of(tmp_path / "gone.ipynb") == "gone"

"""An exported page holds all it needs, and no code."""

from __future__ import annotations

import json
import re
from pathlib import Path

import nbformat
import pytest

for library in ("nbclient", "nbconvert", "ipywidgets"):
    pytest.importorskip(library)

from tubekit.cli.main import main  # noqa: E402
from tubekit.errors import InputError  # noqa: E402
from tubekit.pages.export import export, loads, page_of  # noqa: E402

ROOT = Path(__file__).resolve().parents[2] / "notebooks"
BOOKS = sorted(ROOT.rglob("*.ipynb"))

PANEL = """
import io, ipywidgets as widgets
from PIL import Image
file = io.BytesIO(); Image.new("RGB", (3, 2)).save(file, "png")
widgets.VBox([widgets.HTML("hidden words"), widgets.HBox([widgets.Image(value=file.getvalue())])])
"""
FIGURE = "from IPython.display import Image as Shown\nShown(file.getvalue(), format='png')"
TABLE = "from IPython.display import HTML\nHTML('<table><tr><td>6V6GT</td></tr></table>')"


def write(path: Path, *cells: str, words: str = "# Why?\n\n[next](b.ipynb)") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    code = [nbformat.v4.new_code_cell(cell) for cell in cells]
    nbformat.write(nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(words), *code]), path)
    return path


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the page of a notebook that has a panel, a figure and a table."""
    home = tmp_path_factory.mktemp("export")
    books = [write(home / "a.ipynb", PANEL, FIGURE, TABLE, "print('42 V < 43 V')")]
    export(books, home / "out", root=home)
    return home / "out"


def test_figures_tables_and_words_are_in_the_page(exported: Path) -> None:
    page = (exported / "a.html").read_text(encoding="utf-8")
    assert len(re.findall("<img ", page)) == 2
    assert "6V6GT" in page
    assert "42 V &lt; 43 V" in page
    assert 'href="b.html"' in page
    assert loads(page) == []


def test_a_panel_leaves_its_picture_and_how_to_wake_it(exported: Path) -> None:
    page = (exported / "a.html").read_text(encoding="utf-8")
    assert "The panel as it starts. To move the controls, open a.ipynb with: python3 -m tubekit" in page
    assert "widget" not in page


def test_no_code_is_in_the_page(exported: Path) -> None:
    page = (exported / "a.html").read_text(encoding="utf-8")
    assert not [word for word in ("ipywidgets", "print(", "file.getvalue", "<script") if word in page]


def test_the_list_leads_to_each_page(exported: Path) -> None:
    page = (exported / "index.html").read_text(encoding="utf-8")
    assert '<a href="a.html">Why?</a>' in page
    assert "can kill" in page
    assert loads(page) == []


def test_a_notebook_is_exported_as_saved_without_being_run(tmp_path: Path) -> None:
    book = write(tmp_path / "deep" / "a.ipynb", "raise SystemError('it was run')")
    done = export([book], tmp_path / "out", root=tmp_path, run=False)
    assert done.files == (tmp_path / "out" / "deep" / "a.html",)
    assert 'href="../index.html"' in done.files[0].read_text(encoding="utf-8")


def test_no_file_is_written_over_unless_asked_for(tmp_path: Path) -> None:
    book = write(tmp_path / "a.ipynb")
    mine = tmp_path / "out" / "index.html"
    mine.parent.mkdir()
    mine.write_text("mine")
    with pytest.raises(InputError, match=r"index.html: there is a file of this name already"):
        export([book], tmp_path / "out", root=tmp_path, run=False)
    assert [each.name for each in mine.parent.iterdir()] == ["index.html"]
    assert mine.read_text() == "mine"
    export([book], tmp_path / "out", root=tmp_path, run=False, overwrite=True)
    assert "Why?" in mine.read_text(encoding="utf-8")


def test_a_failing_cell_is_told_with_its_notebook(tmp_path: Path) -> None:
    book = write(tmp_path / "a.ipynb", "assert 12.1 < 12, 'V3 is over its rating'")
    with pytest.raises(
        InputError, match=r"a\.ipynb: stopped: AssertionError: V3 is over its rating.*--as-saved"
    ):
        export([book], tmp_path / "out", root=tmp_path)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("raw", [b"", b"{", b'{"cells": 1}'])
def test_what_is_no_notebook_is_told(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "a.ipynb").write_bytes(raw)
    with pytest.raises(InputError, match=r"a\.ipynb: cannot be read as a notebook"):
        export([tmp_path / "a.ipynb"], tmp_path / "out", root=tmp_path, run=False)


@pytest.mark.parametrize(
    "words",
    [
        "![far](https://example.org/a.png)",
        '<script src="https://example.org/a.js"></script>',
        "![gone](no.png)",
    ],
)
def test_a_page_that_would_fetch_something_is_refused(tmp_path: Path, words: str) -> None:
    book = write(tmp_path / "a.ipynb", words=f"# Why?\n\n{words}")
    with pytest.raises(InputError):
        export([book], tmp_path / "out", root=tmp_path, run=False)


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ('<a href="https://example.org">x</a>', 0),
        ("<img src='data:image/png;base64,AA'>", 0),
        ("<p>an url of the form url and @ import</p>", 0),
        ('<img alt="a" src="pictures/a.png">', 1),
        ("<style>@import 'a.css';</style>", 1),
        ("<style>p { background: url(https://example.org/a.png) }</style>", 1),
        ('<link rel="stylesheet" href="a.css">', 1),
        ('<iframe src="https://example.org"></iframe>', 1),
        ("<script>fetch('https://example.org')</script>", 1),
        ('<img src="data:image/png;base64,AA" alt="a > src=x url(b)">', 0),
        ("<p>&lt;img src=x&gt; url(x) src=x</p>", 0),
        ('<p style="background: url(a.png)">x</p>', 1),
        ('<a href="javascript:x()">x</a>', 1),
        ('<p onclick="x()">x</p>', 1),
        ('<svg><image xlink:href="a.png"/></svg>', 1),
    ],
)
def test_loads_are_found(text: str, count: int) -> None:
    assert len(loads(text)) == count


@pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.name)
def test_every_notebook_of_ours_makes_a_page(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    outputs = [output for cell in book.cells for output in cell.get("outputs", ())]
    pictures = sum("image/png" in output.get("data", {}) for output in outputs)
    page = page_of(book, path)
    assert page.count("<figure>") == pictures
    assert "\\(" not in page, "formulas need a script that the page has not"
    assert not re.search(r"\$[^$\n<]+\$", re.sub(r"base64,[^\"]+", "", page))
    assert "Run All" not in page
    assert "can kill" in page
    assert "import " not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)


def test_the_command_writes_and_answers(tmp_path: Path, capsys) -> None:
    book = write(tmp_path / "a.ipynb")
    assert main(["export", str(book), "--as-saved", "--to", str(tmp_path / "out"), "--json"]) == 0
    text = json.loads(capsys.readouterr().out)
    assert text == {"contents": f"{tmp_path}/out/index.html", "files": [f"{tmp_path}/out/a.html"]}
    assert main(["export", str(book), "--as-saved", "--to", str(tmp_path / "out")]) == 2
    assert "--overwrite" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["export", "page"])
def test_a_notebook_that_is_not_there_is_named(command: str, tmp_path: Path, capsys) -> None:
    assert main([command, str(tmp_path / "gone.ipynb")]) == 2
    assert "gone.ipynb: there is no such notebook" in capsys.readouterr().err

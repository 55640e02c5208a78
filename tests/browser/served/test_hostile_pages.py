"""What someone typed is shown on served and exported pages, in the record and in print: none of it is run."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pytest

from tests.failures.amp_texts import TEASEL
from tubekit import load_amp, swap
from tubekit.jobs import actions
from tubekit.record.record import record

ROOT = Path(__file__).resolve().parents[3]
TYPED = (
    """<img src=x onerror="hit=1"><script>hit=1</script>'"><svg onload=hit=1></textarea></title></style>"""
    """ {{7*7}} {% x %} $\\frac{1}{2}$ [a](javascript:hit=1) %0d%0aX:1 ../../x &lt;b&gt; \u05d0"""
)
HIT = """
const made = document.querySelectorAll(
  'img[src="x"], img[onerror], svg[onload], a[href^="javascript"], [onload], [onerror]');
return [typeof hit, ...[...made].map(each => each.outerHTML.slice(0, 100))]
"""
NOTHING = ["undefined"]
BEGIN = """
from IPython.display import display
from tubekit import judge, load_amp, load_readings, panels, swap
amp = load_amp('patient.toml')
"""
CELLS = (
    BEGIN,
    "panels.part_swap(amp)", "panels.supply(amp)", "panels.tone(amp)", "panels.hum(amp)",
    "panels.bench(amp, 'read.csv')", "panels.substitutes(amp, 'C14')", "panels.record(amp)",
    "panels.listen(amp)", "panels.amp_form('patient.toml', keep=False)", "panels.job('job')",
    "panels.drawing(amp)", "swap(amp, {'R14': '330'})", "judge(load_readings('read.csv', amp))", "amp",
)  # fmt: skip


def typed(place: str) -> str:
    """What is typed into a field; the front shows where it came from."""
    return f"{place} {TYPED}"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with it in every field of words: amp file, readings, job, file names, a heading."""
    folder = tmp_path_factory.mktemp("hostile")
    text, count = re.subn(
        r'^(title|maker|town|year|story|note|role) = ".*"$',
        lambda match: f"{match[1]} = '''{typed(match[1])}'''",
        TEASEL, flags=re.MULTILINE,
    )  # fmt: skip
    assert count > 60
    (folder / "patient.toml").write_text(text, encoding="utf-8")
    quoted = typed("note").replace('"', '""')
    rows = f'place,quantity,value,note\nB1,DC volts,390,"{quoted}"\nV3.k,DC volts,12,"{quoted}"\n'
    (folder / "read.csv").write_text(rows, encoding="utf-8")
    job, amp = folder / "job", load_amp(folder / "patient.toml")
    by = typed("by")
    actions.new_job(job, amp, by=by, owner=typed("owner"), complaint=typed("complaint"))
    actions.note(job, typed("text"), by=by)
    actions.read(job, ["B1=390", "V3.k=12"], by=by)
    actions.decide(job, {"R14": "330"}, typed("why"), by=by)
    book = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_markdown_cell("# Why?\n\nIt can kill.")]
        + [nbformat.v4.new_code_cell(each) for each in CELLS]
    )
    book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(book, folder / "all.ipynb")
    name = TYPED.replace("/", "")[:90] + ".ipynb"
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("no heading")])
    nbformat.write(book, folder / name)
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(f"# `{typed('heading')}`")])
    nbformat.write(book, folder / "heading.ipynb")
    return folder


@pytest.fixture(scope="module")
def sheet(home: Path, browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    pytest.importorskip("voila")
    from tests.browser.page import TABLET, Sheet, pages_without_code

    with pages_without_code(home, tmp_path_factory.mktemp("served") / "server") as (address, key):
        sheet = Sheet(browser, address, key)
        sheet.size(*TABLET)
        yield sheet
        browser.get("about:blank")


def test_the_front_page_shows_names_and_headings_as_they_are(sheet: Any) -> None:
    sheet.name = "hostile-front"
    sheet.driver.get(sheet.address)
    assert sheet.driver.execute_script(HIT) == NOTHING
    shown = sheet.texts("li a")
    assert any(TYPED[:60].replace("/", "") in each for each in shown)
    assert any(typed("heading")[:60] in each for each in shown)
    assert sheet.driver.title == "tubekit"
    assert sheet.fetched() == []
    assert sheet.console() == []


def test_panels_show_what_was_typed(sheet: Any) -> None:
    sheet.open("all.ipynb")
    words = sheet.driver.execute_script("return document.body.innerText")
    assert "stopped here" not in words
    assert len(sheet.all(".tubekit-panel")) >= len(CELLS) - 5
    assert sheet.driver.execute_script(HIT) == NOTHING
    press = "document.querySelectorAll('.tubekit-rows button')[arguments[0]].click()"
    for row in range(3):
        sheet.driver.execute_script(press, row)
        sheet.settle()
    for each in ("title", "note", "role", "complaint", "text"):
        found = """return document.body.textContent.includes(arguments[0]) ||
            [...document.querySelectorAll('input, textarea')].some(one => one.value.includes(arguments[0]))"""
        assert sheet.driver.execute_script(found, typed(each)[:80]), each
    assert sheet.driver.execute_script(HIT) == NOTHING
    assert sheet.driver.title == "Why?"
    assert sheet.fetched() == []
    assert sheet.console() == []
    sheet.shoot("hostile")


def test_record_and_its_print_show_what_was_typed(sheet: Any, home: Path, tmp_path: Path) -> None:
    amp = load_amp(home / "patient.toml").changed({"R14": "330"})
    fields = {each: typed(each) for each in ("title", "decided", "why", "by")}
    made = record(tmp_path / "record.html", amp, swap(amp.drawn, {"R14": "330"}), date="2026-01-01", **fields)
    sheet.name = "hostile-record"
    sheet.driver.get("about:blank")
    sheet.console()
    sheet.driver.get(made.html_path.as_uri())
    assert sheet.driver.execute_script(HIT) == NOTHING
    words = sheet.driver.execute_script("return document.body.textContent")
    assert [each for each, text in fields.items() if text not in words] == []
    assert "<img src=x" in sheet.driver.title
    assert sheet.driver.execute_script("return performance.getEntriesByType('resource').length") == 0
    assert sheet.console() == []
    assert made.pdf_path is not None, made.message
    if reader := shutil.which("pdftotext"):
        done = subprocess.run([reader, "-raw", str(made.pdf_path), "-"], capture_output=True, check=True)
        printed = re.sub(r"\s+", "", done.stdout.decode())
        for each in fields:
            assert re.sub(r"\s+", "", typed(each))[:90] in printed, each


def test_exported_pages_show_what_was_typed(sheet: Any, home: Path, tmp_path: Path) -> None:
    from tubekit.pages.export import export

    done = export(sorted(home.glob("*.ipynb")), tmp_path / "out", root=home)
    for place in (done.contents, *done.files):
        sheet.name = "hostile-exported"
        sheet.driver.get(place.as_uri())
        assert sheet.driver.execute_script(HIT) == NOTHING, place.name
        assert sheet.driver.execute_script("return performance.getEntriesByType('resource').length") == 0
    assert sheet.console() == []


@pytest.mark.parametrize(
    "path",
    [
        "voila/tree/%3Cscript%3Ehit=1%3C%2Fscript%3E",
        "voila/render/%22%3E%3Cimg%20src=x%20onerror=hit=1%3E.ipynb",
        "voila/render/%7B%7B7*7%7D%7D.ipynb?x=%3Csvg%20onload=hit=1%3E", "voila/render/..%2f..%2fx.ipynb",
        "voila/render/all.ipynb%00", "voila/render/a%0d%0aX-Typed:1.ipynb",
        f"voila/render/{'a' * 10_000}.ipynb",
        "login?next=javascript:hit=1", "login?next=//other.invalid/",
    ],
)  # fmt: skip
def test_addresses_are_not_pages(sheet: Any, path: str) -> None:
    sheet.name = "hostile-address"
    sheet.driver.get(f"{sheet.address}/{path}")
    assert sheet.driver.execute_script(HIT) == NOTHING
    assert sheet.driver.current_url.startswith(sheet.address)
    assert sheet.fetched() == []
    words = sheet.driver.execute_script("return document.body.innerText")
    assert "Traceback" not in words
    assert "49" not in words
    sheet.console()

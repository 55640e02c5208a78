"""One part a line or row: what is written loads to the same amp, and a slip is said with its place."""

# Each case is read as one line: what was there, what is there, what is said of it.
# ruff: noqa: E501

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from tests.amps import EVERY, amp
from tests.every_kind import every_kind
from tests.test_amp_file import same_amp
from tubekit.amp import Amp
from tubekit.amp.findings import Findings
from tubekit.amp.load import amp_from_text, load_amp
from tubekit.amp.make import make_part
from tubekit.amp.parts import KINDS, Transformer, Tube
from tubekit.amp.parts_list import COLUMNS, tables_of
from tubekit.cli.main import main
from tubekit.errors import AmpFileError
from tubekit.files import data_file


def amps() -> list[Amp]:
    return [*map(amp, EVERY), every_kind()]


def test_a_copy_has_one_part_a_line_and_loads_to_the_same_amp() -> None:
    for one in amps():
        text = one.copy_as_text()
        lines = text.split("[parts]\n")[1].splitlines()
        plain = [p for p in one.parts.values() if not isinstance(p, Transformer | Tube)]
        for part in plain:
            assert sum(line.startswith(f"{part.designator} = {{") for line in lines) == 1
        for part in one.parts.values():
            for winding in part.windings if isinstance(part, Transformer) else ():
                assert sum(line.startswith(f"{part.designator}.{winding.name} = {{") for line in lines) == 1
        assert same_amp(amp_from_text(text), one), one.name


HEAD = '[amp]\nextends = "teasel"\n[parts]\n'


@pytest.mark.parametrize(
    ("lines", "part", "problem", "fix"),
    [
        ('R14 = { value = "1" }\nR14 = { value = "2" }', "R14", "is entered twice", "line 5"),
        ('R14 = { value = "1", value = "2" }', "R14", "'value' is written twice", "Keep one value"),
        ("R14 = { value = 4K7 }", "R14", "line 4", "with the quotation marks"),
        ('R14 = { value = "4K7"\nR15 = { value = "1M" }', "R14", "line 4", "Write each part as"),
        ('R14 { value = "4K7" }', "R14", "line 4", "Write each part as"),
        (
            'T1 = { kind = "power transformer" }\nT1.primary = { volts = ["117 V"] }',
            "T1",
            "has its closing brace already",
            "T1.kind",
        ),
        ('R14 = { value = "1" }\n[R14]\nvalue = "2"', "R14", "under [parts], and as [R14]", "only one"),
        ('R14 = { value = "27O" }', "R14", "'27O' is not a resistance", "270 is meant"),
        ('V1.a = { plat = "p1a" }', "V1.a", "'plat' is not known", "Near: plate"),
    ],
)  # fmt: skip
def test_a_slip_in_a_line_is_said_with_its_designator(lines: str, part: str, problem: str, fix: str) -> None:
    with pytest.raises(AmpFileError) as caught:
        amp_from_text(HEAD + lines + "\n", "mine.toml")
    text = str(caught.value)
    assert text.startswith(f"mine.toml: {part}: ")
    assert problem in text
    assert fix in text


def test_a_part_above_the_line_of_the_parts_is_sent_below_it() -> None:
    with pytest.raises(AmpFileError, match=r"\[amp\]: 'R14' is not known here\. Write a line \[parts\]"):
        amp_from_text('[amp]\nextends = "teasel"\nR14 = { value = "330" }\n')


def test_lines_and_headings_may_be_mixed() -> None:
    mixed = amp_from_text(HEAD + 'R14 = { value = "330" }\n[R15]\nvalue = "330k"\n')
    assert (mixed.parts["R14"].ohms, mixed.parts["R15"].ohms) == (330.0, 330e3)
    more = '[T1.more]\nnodes = ["w1", "w2"]\nvolts = ["5 V"]\nresistance = ["0.1"]\n'
    load = '[R99]\nvalue = "1k"\nnodes = ["w1", "w2"]\n'
    assert amp_from_text(amp("teasel").copy_as_text() + more + load).parts["T1"].windings[-1].name == "more"


# ---- the same list in a spreadsheet

WIRING = {"joined_once", "heater_not_reached", "no_b_plus", "no_dc_path"}
BOTH = pytest.mark.parametrize("suffix", [".csv", ".xlsx"])


@BOTH
def test_every_amp_and_every_kind_of_part_comes_back_whole(suffix: str, tmp_path: Path) -> None:
    assert {type(part) for part in every_kind().parts.values()} == set(KINDS)
    for one in amps():
        again = load_amp(one.save_as(tmp_path / f"{one.name.replace(' ', '-')}{suffix}"))
        assert same_amp(again, one), one.name
        assert set(again.left_open) == set(one.left_open)


@BOTH
def test_nothing_in_a_cell_is_run_and_all_of_it_comes_back(suffix: str, tmp_path: Path) -> None:
    words = [
        "=1+1",
        "+1",
        "-cmd|' /C calc'!A0",
        "@SUM(A1)",
        "'=1",
        "'quoted",
        'a "b", c; d = e',
        "two\nlines",
        "µ",
    ]
    drawn = amp("teasel")
    parts = {
        name: replace(part, note=words[k % len(words)], role=words[-1 - k % len(words)])
        for k, (name, part) in enumerate(drawn.parts.items())
    }
    wire = amp_from_text(
        drawn.copy_as_text().replace('"k34"', '"=k;3,4"') + 'W1 = { nodes = ["=k;3,4", "=x"], color = "red, =" }\n'
        'R99 = { value = "1M", nodes = ["=x", "ground"] }\n'
    )  # fmt: skip
    for one in (replace(drawn, parts=parts), wire):
        path = one.save_as(tmp_path / f"{one.name.replace(' ', '-')}{suffix}")
        assert same_amp(load_amp(path), one)
        if suffix == ".csv":
            for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline="")):
                assert not [cell for cell in row if cell.startswith(("=", "+", "-", "@"))]
        else:
            cells = [c for row in openpyxl().load_workbook(path)["parts"].iter_rows() for c in row if c.value]
            assert {cell.data_type for cell in cells} == {"s"}
            assert all(cell.quotePrefix for cell in cells if cell.value.startswith(("=", "+", "-", "@")))


def openpyxl():
    return pytest.importorskip("openpyxl")


def listed(folder: Path, *changes: tuple[str, str], name: str = "mine.csv") -> Path:
    text = amp("teasel").save_as(folder / name, overwrite=True).read_text(encoding="utf-8-sig")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


def row_of(folder: Path, part: str) -> int:
    rows = list(csv.reader(listed(folder).open(encoding="utf-8", newline="")))
    return 1 + next(k for k, row in enumerate(rows) if row[0] == part)


@pytest.mark.parametrize(
    ("old", "new", "part", "column", "problem", "fix", "code"),
    [
        ("R14,resistor,270,", "R14,resistor,27O,", "R14", "value", "'27O' is not a resistance", "270 is meant", "unit"),
        ("R14,resistor,270,", "R14,resistr,270,", "R14", "kind", "kind 'resistr'", "Near: resistor", "kind"),
        ("R14,resistor,270,", "R14,resistor,,", "R14", "value", "value is missing", "Fill in the column value", "missing"),
        ("V1,tube,12AX7,", "V1,tube,,", "V1", "value", "type is missing", "Write it like 12AX7", "missing"),
        ('V1,tube,12AX7,"heater = h1, h2"', "V1,tube,12AX7,", "V1", "nodes", "is not connected", "like heater = h1, h2 in the column nodes", "missing"),
        ("V1,tube,12AX7,", "V1,tube,12AX8,", "V1", "value", "'12AX8' is not a known tube type", "Near: 12AX7", "unknown_tube"),
        ("plate = p1a; grid", "plat = p1a; grid", "V1.a", "nodes", "'plat' is not known", "Near: plate", "unknown_key"),
        ('"315 V, 315 V"', "315 V", "T1.high_voltage", "value", "volts has 1", "list of 2", "section_count"),
        ('R14,resistor,270,"k34, ', 'R14,resistor,270,"k43, ', "R14", "", "no other part connects to 'k43'", "Near: k34", "joined_once"),
        ("TP1,test point,335 V,B1,", "TP1,test point,335 V,B9,", "test_points.TP1", "", "no part connects to 'B9'", "Near: B", "unknown_node"),
        ("amp.design_mains,heading,117 V", "amp.design_mains,heading,117 A", "[amp]", "value", "'117 A' is not a voltage", "", "unit"),
    ],
    ids=lambda value: str(value)[:14],
)  # fmt: skip
def test_a_slip_is_said_with_row_column_designator_and_fix(
    old: str, new: str, part: str, column: str, problem: str, fix: str, code: str, tmp_path: Path
) -> None:
    row = row_of(tmp_path, {"[amp]": "amp.design_mains"}.get(part, part.removeprefix("test_points.")))
    with pytest.raises(AmpFileError) as caught:
        load_amp(listed(tmp_path, (old, new)))
    result = next(one for one in caught.value.problems if one.code == code and one.part == part)
    assert result.where == f"mine.csv, row {row}" + (f", column {column}" if column else "")
    assert problem in result.problem
    assert fix in str(result)


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        ([["prt", "value"]], "mine.csv, row 1: there is no column 'prt'.*Near: part"),
        ([["value", "nodes"]], "mine.csv, row 1: the column part is missing"),
        ([["part", "value", "value"]], "mine.csv, row 1: there are two columns 'value'"),
        ([], "mine.csv: the column part is missing"),
        ([["part", "value"], ["", "1k"]], "mine.csv, row 2, column part: the part is missing"),
        ([["part"], ["R1"], [], ["R1"]], "mine.csv, row 4: R1: is entered twice .the other is mine.csv, row 2"),
        ([["part", "value", "more"], ["R1", "1k", "value = 2k"]], "row 2, column more: R1: 'value' is written twice"),
        ([["part", "more"], ["T1", "primary = x"], ["T1.primary", "y = 1"]], "row 3: T1.primary: is entered twice .the other is mine.csv, row 2"),
        ([["part", "more"], ["R1", "film"]], "mine.csv, row 2, column more: R1: 'film' has no name in front of it"),
        ([["part", "note"], ["R1", "a", "b"]], "mine.csv, row 2: R1: has 3 cells, but only 2 columns"),
    ],
    ids=lambda value: str(value)[:20],
)  # fmt: skip
def test_a_list_that_cannot_be_read_says_where(rows: list[list[str]], text: str) -> None:
    with pytest.raises(AmpFileError, match=text):
        tables_of(rows, "mine.csv")


def test_columns_of_ones_own_and_rows_in_any_order() -> None:
    rows = [["Part", "nodes", "style", "Value"], ["T1.primary", "a b", "", "117 V"], ["# mine", "", "", ""],
            ["C1", "B1 ground", "film", "22n"], ["T1", "", "", ""]]  # fmt: skip
    rows[4].append("")
    tables, _ = tables_of([[*row, ""] for row in rows], "mine.csv")
    assert tables["C1"] == {"nodes": ["B1", "ground"], "style": "film", "value": "22n"}
    assert tables["T1"] == {"primary": {"nodes": ["a", "b"], "turns": ["117 V"]}}  # no kind was said


def test_what_a_spreadsheet_makes_of_numbers_is_read(tmp_path: Path) -> None:
    path = amp("teasel").save_as(tmp_path / "mine.xlsx")
    book = openpyxl().load_workbook(path)
    rows = {row[0].value: row for row in book["parts"].iter_rows()}
    rows["R14"][2].value = 270
    rows["R14"][5].value, rows["R14"][5].number_format = 0.1, "0%"
    book.save(path)
    assert same_amp(load_amp(path), amp("teasel"))
    rows["R15"][2].value = date(2026, 7, 8)
    book.save(path)
    with pytest.raises(AmpFileError, match=r"mine.xlsx, row \d+, column C: is the date 2026-07-08.*as text"):
        load_amp(path)
    path.write_bytes(b"PK no workbook")
    with pytest.raises(
        AmpFileError, match=r"mine.xlsx: this is not a spreadsheet file .*save it as .xlsx again"
    ):
        load_amp(path)


def test_semicolons_and_open_quotes_are_said(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    for text, words in (
        ("part;value\nR1;1k\n", "not separated by commas"),
        ('part\n"R1\n', r"row 2: cannot be read"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(AmpFileError, match=words):
            load_amp(path)


def test_the_template_has_an_example_of_every_kind_and_explains_every_column() -> None:
    text = tomllib.loads(data_file("parts-list.toml").read_text(encoding="utf-8"))
    assert tuple(text["columns"]) == COLUMNS
    findings = Findings("template", {})
    made = {type(make_part(name, table, findings)) for name, table in text["parts"].items()}
    assert findings.problems == []
    assert made == set(KINDS)


def test_the_command_writes_lists_and_templates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "shop.xlsx"
    assert main(["parts", "vetch", "--to", str(path)]) == 0
    assert same_amp(load_amp(path), amp("vetch"))
    assert main(["parts", "vetch", "--to", str(path)]) == 2
    assert main(["parts", str(path), "--to", str(tmp_path / "shop.xls")]) == 2
    assert main(["parts"]) == 2
    text = capsys.readouterr().err
    assert "already" in text
    assert "ends in .toml, .csv or .xlsx" in text
    blank = tmp_path / "blank.csv"
    assert main(["parts", "--template", str(blank)]) == 0
    with pytest.raises(AmpFileError, match=r"blank.csv: there are no parts"):
        load_amp(blank)
    examples = blank.read_text(encoding="utf-8-sig").replace("\n# ", "\n")
    blank.write_text(examples, encoding="utf-8")
    with pytest.raises(AmpFileError) as caught:  # examples are no whole amp, but each can be read
        load_amp(blank)
    assert {one.code for one in caught.value.problems} <= WIRING


@pytest.mark.parametrize("between", [" ", "/", " / ", "; ", ";"])
def test_nodes_may_be_parted_as_people_type_them(between: str) -> None:
    rows = [["part", "kind", "value", "nodes"], ["R5", "", "220k", f"B4{between}p1a"],
            ["V5", "", "5U4G", f"plates = hv_a{between}hv_b; cathode = B1"], ["T1", "power transformer", "", ""],
            ["T1.high_voltage", "", "400 V / 400 V", f"hv_a{between}ground{between}hv_b"]]  # fmt: skip
    tables, _ = tables_of(rows, "mine.csv")
    assert tables["R5"]["nodes"] == ["B4", "p1a"]
    assert tables["V5"] == {"type": "5U4G", "plates": ["hv_a", "hv_b"], "cathode": "B1"}
    assert tables["T1"]["high_voltage"] == {"volts": ["400 V", "400 V"], "nodes": ["hv_a", "ground", "hv_b"]}

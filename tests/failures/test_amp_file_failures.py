"""Every bad amp file gets a message with file, designator and fix."""

# Each case is read as one line: what stood there, what stands there, what is said of it.
# ruff: noqa: E501

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import pytest

from tests.failures.amp_texts import TEASEL, message, write_amp
from tubekit.amp.load import load_amp
from tubekit.errors import AmpFileError

R14 = 'value = "270"\nnodes = ["k34", "ground"]'
V1 = 'type = "12AX7"\nheater = ["h1", "h2"]\nrole = "input stage and second stage"'
V3 = 'plate = "p3"\nscreen = "s3"\ngrid = "g3"\ncathode = "k34"'
HV = 'volts = ["315 V", "315 V"]'
PLUG = '[P1]\nkind = "mains plug"\nline = "mains_line"\nneutral = "mains_neutral"\nearth = "ground"\nrole = "line plug on a grounded cord"\n'

# (what stands in the demo amp, what stands there instead, designator, problem, fix)
SLIPS = {
    "value is a list": (R14, R14.replace('"270"', '["270", "330"]'), "R14", "value is a list", "4K7"),
    "value is true": (R14, R14.replace('"270"', "true"), "R14", "value is true", "4K7"),
    "value is a table": (R14, R14.replace('"270"', "{ohm = 270}"), "R14", "value is a group of entries", "4K7"),
    "value is a word": (R14, R14.replace('"270"', '"some"'), "R14", "'some' is not a resistance", "4K7"),
    "letter for zero": (R14, R14.replace('"270"', '"27O"'), "R14", "'27O' is not a resistance", "270 is meant"),
    "wrong unit": (R14, R14.replace('"270"', '"270 uF"'), "R14", "'270 uF' is not a resistance", "4K7"),
    "too large": (R14, R14.replace('"270"', '"270G"'), "R14", "outside the plausible range", "decimal point"),
    "negative": (R14, R14.replace('"270"', "-270"), "R14", "outside the plausible range", "decimal point"),
    "zero": (R14, R14.replace('"270"', "0"), "R14", "outside the plausible range", "decimal point"),
    "nan": (R14, R14.replace('"270"', "nan"), "R14", "not a resistance", "4K7"),
    "infinite": (R14, R14.replace('"270"', "inf"), "R14", "not a resistance", "4K7"),
    "huge whole number": (R14, R14.replace('"270"', "1" + "0" * 400), "R14", "not a resistance", "4K7"),
    "no value": (R14, 'nodes = ["k34", "ground"]', "R14", "value is missing", "Add value"),
    "unknown key": (R14, R14 + '\nratng = "5 W"', "R14", "'ratng' is not known", "Near: rating"),
    "no nodes": (R14, 'value = "270"', "R14", "nodes is missing", "Add nodes"),
    "three nodes": (R14, R14.replace('"k34", ', '"k34", "x", '), "R14", "nodes is a list of 3", "list of 2"),
    "nodes a text": (R14, 'value = "270"\nnodes = "k34 ground"', "R14", "nodes is 'k34 ground'", "list of 2"),
    "node a number": (R14, R14.replace('"ground"', "0"), "R14", "not the name of a connection", "Write it like"),
    "node with a blank": (R14, R14.replace('"k34"', '"k 34"'), "R14", "'k 34' cannot be the name", "one word"),
    "both ends alike": (R14, R14.replace('"k34"', '"ground"'), "R14", "both connect to 'ground'", "own point"),
    "node joined once": (R14, R14.replace('"k34"', '"k43"'), "R14", "no other part connects to 'k43'", "Near: k34"),
    "gnd": (R14, R14.replace('"ground"', '"gnd"'), "R14", "'gnd' looks like ground", "Write 'ground'"),
    "capital": (R14, R14.replace('"k34"', '"K34"'), "R14", "differ only in capitals", "Spell them the same"),
    "wrong kind": (R14, 'kind = "capacitor"\n' + R14, "R14", "does not match a designator with the letter R", "Rename it C"),
    "no such kind": (R14, 'kind = "resistr"\n' + R14, "R14", "kind 'resistr' is not known", "Near: resistor"),
    "condition": (R14, 'condition = "opn"\n' + R14, "R14", "condition is 'opn'", "Near: open"),
    "tube unknown": (V1, V1.replace("12AX7", "12AX8"), "V1", "type '12AX8' is not a known tube", "12AX7"),
    "tube a number": (V1, V1.replace('"12AX7"', "12"), "V1", "type is 12", "12AX7"),
    "tube with wire ends": ('type = "5Y3GT"', 'type = "1N4007"', "V5", "a silicon diode with wire ends", "CR1"),
    "diode unknown": ("[R24]\n", '[CR1]\ntype = "1N4070"\nnodes = ["hv_a", "B1"]\n[R24]\n', "CR1", "type '1N4070' is not a known silicon diode", "Near: 1N4007"),
    "selenium": ("[R24]\n", '[CR1]\ntype = "selenium"\nnodes = ["hv_a", "B1"]\n[R24]\n', "CR1", "type 'selenium' is not a known silicon diode", "1N4007 with a resistor in series"),
    "two plates of one": ('type = "5Y3GT"', 'type = "0A2"', "V5", "has no 'plates'", "plate = .."),
    "a tube for a diode": ("[R24]\n", '[CR1]\ntype = "12AX7"\nnodes = ["hv_a", "B1"]\n[R24]\n', "CR1", "type '12AX7' is not a known silicon diode", "1N4007"),
    "no type": (V1, V1.replace('type = "12AX7"\n', ""), "V1", "type is missing", "12AX7"),
    "no heater": (V1, V1.replace('heater = ["h1", "h2"]\n', ""), "V1", "heater of 12AX7", "h1"),
    "heater pins meet": (V1, V1.replace('"h2"', '"h1"'), "V1", "both connect to 'h1'", "own point"),
    "triode as pentode": (V3, V3.replace('screen = "s3"\n', ""), "V3", "the screen of 6V6GT is missing", "triode connection"),
    "no plate": (V3, V3.replace('plate = "p3"\n', ""), "V3", "plate is missing", "Add plate"),
    "plate on cathode": (V3, V3.replace('"p3"', '"k34"'), "V3", "V3 plate and cathode both connect to", "own point"),
    "section too many": (V1, V1 + '\n[V1.c]\nplate = "B1"\ngrid = "g1a"\ncathode = "k1a"', "V1", "3 sections", "Enter 2 section(s) only"),
    "section left out": (
        '[V1.b]\nplate = "p1b"\ngrid = "g1b"\ncathode = "k1b"\n',
        "",
        "V1",
        "only 1 of the 2 sections of 12AX7",
        "Add V1.b",
    ),
    "a triode has no screen": (
        '[V1.b]\nplate = "p1b"',
        '[V1.b]\nscreen = "B1"\nplate = "p1b"',
        "V1.b",
        "is a triode and has no screen",
        "Take screen out",
    ),
    "rectifier with a grid": (
        'cathode = "B1"',
        'cathode = "B1"\ngrid = "B1"',
        "V5",
        "is a rectifier and has no 'grid'",
        "plates",
    ),
    "rectifier without heater": (
        'heater = ["B1", "v5_heater"]\n',
        "",
        "V5",
        "the heater of 5Y3GT is not connected",
        "heater =",
    ),
    "winding too short": (HV, 'volts = ["315 V"]', "T1.high_voltage", "volts has 1", "list of 2"),
    "winding in turns": (HV, HV + "\nturns = [1.0, 1.0]", "T1.high_voltage", "turns does not belong here", "Write volts instead of turns"),
    "winding of zero": (HV, 'volts = ["0 V", "315 V"]', "T1.high_voltage", "outside the plausible", "unit"),
    "no primary": ("[T2.primary]", "[T2.first]", "T2", "the primary winding is missing", "Add T2.primary"),
    "no transformer kind": ('kind = "power transformer"\n', "", "T1", "kind is missing", "power transformer"),
    "no mains plug": (PLUG, "", "F1", "no other part connects to 'mains_line'", "Correct the name"),
    "lower case": ("[R14]", "[r14]", "r14", "is not a designator", "Near: R14"),
    "unknown letter": ("[R14]", "[Q14]", "Q14", "is not a designator", "These letters can be used"),
    "not a table": ("[P1]\n", "[extra]\n", "extra", "is not a designator", "These letters can be used"),
    "no title": ('title = "Ottermere Teasel"\n', "", "[amp]", "title is missing", "title ="),
    "mains of 0": ('"117 V"\nmains', '"0 V"\nmains', "[amp]", "design_mains '0 V' is outside", "unit"),
    "frequency": ('"60 Hz"', '"60 V"', "[amp]", "'60 V' is not a frequency", "60 Hz"),
    "test point off": ('node = "B2"', 'node = "B9"', "test_points.TP2", "no part connects to 'B9'", "Near: B"),
    "test point a value": ("[test_points.TP1]", "[test_points]\nTP99 = 3\n[test_points.TP1]", "test_points.TP99", "is 3", "node"),
    "left open": ("[amp]\n", '[amp]\nleft_open = ["nix"]\n', "[amp]", "lists 'nix'", "Take it out"),
    "taper": (
        'bottom = "ground"\ntaper = "audio"',
        'bottom = "ground"\ntaper = "log"',
        "R31",
        "taper is 'log'",
        "reverse audio",
    ),
    "position": (
        'bottom = "ground"\ntaper = "audio"\nposition = 0.5',
        'bottom = "ground"\ntaper = "audio"\nposition = 5',
        "R31",
        "position 5 is outside",
        "Check",
    ),
    "removed": (R14, R14 + '\nremoved = "yes"', "R14", "removed must be true or false", "removed = true"),
}  # fmt: skip


@pytest.mark.parametrize("case", SLIPS)
def test_a_slip_is_told_with_file_designator_and_fix(case: str, tmp_path: Path) -> None:
    old, new, part, problem, fix = SLIPS[case]
    text = message(write_amp(tmp_path, (old, new)))
    line = next((line for line in text.splitlines() if f"{part}: " in line and problem in line), "")
    assert line, text
    assert "patient.toml: " in line
    assert fix in line


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    path = write_amp(tmp_path, (R14, R14.replace('"270"', '"x"')), (V1, V1.replace("12AX7", "12AX8")))
    with pytest.raises(AmpFileError) as caught:
        load_amp(path)
    assert caught.value.part == "V1"  # the first in the file is the one raised
    assert "more errors" in str(caught.value)
    assert {one.part for one in caught.value.problems} >= {"V1", "R14"}
    assert all(one.where == "patient.toml" and one.fix for one in caught.value.problems)


def test_problems_keep_their_place_when_it_is_filled_in(tmp_path: Path) -> None:
    with pytest.raises(AmpFileError) as caught:
        load_amp(write_amp(tmp_path, (R14, R14.replace('"270"', '"x"'))))
    assert str(caught.value.placed(where="other.toml", part="R1")) == str(caught.value)


def test_a_long_list_of_problems_is_cut_with_its_count(tmp_path: Path) -> None:
    path = tmp_path / "many.toml"
    path.write_text(TEASEL.replace("value =", "valeu ="), encoding="utf-8")
    assert re.search(r"\n  - and \d+ more$", message(path))


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('[R21]\nvalue = "6.8k"\nnodes = ["B1", "B2"]', '[R21]\nvalue = "6.8k"\nnodes = ["B1", "ground"]', ("V1.a: the plate ('p1a') gets no B+", "V3: the screen ('s3') gets no B+")),
        ('plates = ["hv_a", "hv_b"]\ncathode = "B1"', 'plates = ["hv_a", "hv_b"]\ncathode = "ground"', ()),
        ('nodes = ["B4", "p1a"]', 'nodes = ["ground", "p1a"]', ("V1.a: the plate ('p1a') gets no B+",)),
    ],
)  # fmt: skip
def test_b_plus_without_a_path(old: str, new: str, parts: tuple[str, ...], tmp_path: Path) -> None:
    text = message(write_amp(tmp_path, (old, new)))
    for part in parts:
        assert f"patient.toml: {part}" in text
    assert "from a rectifier cathode" in text or "there is no rectifier" in text


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('[R15]\nvalue = "220k"\nnodes = ["drive3", "ground"]', '[R15]\nvalue = "220k"\nnodes = ["h1", "ground"]', "V3: the grid ('g3') has no DC path"),
        ('[R6]\nvalue = "1.5k"\nnodes = ["k1b", "ground"]', '[R6]\nvalue = "1.5k"\nnodes = ["h1", "ground"]', "V1.b: the cathode ('k1b') has no DC path"),
        ('nodes = ["mains_fused", "mains_switched"]', 'nodes = ["mains_fused", "h1"]', "T1.primary: the line wire of P1"),
        ('[V4]\ntype = "6V6GT"\nplate = "p4"\nscreen = "s4"\ngrid = "g4"\ncathode = "k34"\nheater = ["h1", "h2"]', '[V4]\ntype = "6V6GT"\nplate = "p4"\nscreen = "s4"\ngrid = "g4"\ncathode = "k34"\nheater = ["h1", "mains_fused"]', "V4: the heater ('mains_fused') is not connected to a winding"),
        ("[R24]\n", '[P2]\nkind = "mains plug"\nline = "mains_line"\nneutral = "mains_neutral"\n[R24]\n', "P2: is a second mains plug"),
    ],
)  # fmt: skip
def test_what_hangs_loose_is_told(old: str, new: str, problem: str, tmp_path: Path) -> None:
    text = message(write_amp(tmp_path, (old, new)))
    assert f"patient.toml: {problem}" in text
    line = next(line for line in text.splitlines() if problem in line)
    assert re.search(r"\. (Enter|Keep|Write) ", line)


def test_no_plug_and_no_rectifier_are_told(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text(
        '[amp]\ntitle = "x"\ndesign_mains = 117\nmains_frequency = 60\n'
        '[R1]\nvalue = 1\nnodes = ["a", "ground"]\n[R2]\nvalue = 1\nnodes = ["a", "ground"]\n',
        encoding="utf-8",
    )
    text = message(path)
    assert "bare.toml: there is no mains plug" in text
    assert "bare.toml: there is no rectifier" in text


def test_an_amp_without_parts_is_told(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    path.write_text('[amp]\ntitle = "x"\ndesign_mains = 117\nmains_frequency = 60\n', encoding="utf-8")
    assert "none.toml: there are no parts" in message(path)


@pytest.mark.parametrize(
    ("old", "new", "problem", "fix"),
    [
        ("[R14]\n", "[R13]\n", "R13: is entered twice", "Give one of them another number"),
        ("[V1.b]\n", "[V1.a]\n", "V1.a: is entered twice", "Give one of them another number"),
        (V3, V3 + '\nplate = "p4"', "V3: 'plate' is written twice", "Keep one plate"),
    ],
)
def test_what_stands_twice_is_named(old: str, new: str, problem: str, fix: str, tmp_path: Path) -> None:
    text = message(write_amp(tmp_path, (old, new)))
    assert f"patient.toml: {problem}" in text
    assert fix in text
    assert re.search(r"line \d+", text)


@pytest.mark.parametrize(
    ("content", "problem", "fix"),
    [
        (b"", "the file is empty", "Start from a copy"),
        (b" \n\t\n", "the file is empty", "Start from a copy"),
        (b"# only words\n", "only comments, no parts", "Start from a copy"),
        (b"[R1\n", "cannot be read: ", "Write each part as R1 = {"),
        (b"[R1]\nvalue = 4K7\n", "R1: cannot be read: ", "quotation marks"),
        (b"R1 1k in out\nR2 2k out 0\n", "cannot be read: ", "Write each part as R1 = {"),
        (b"\xff\xfe[\x00R\x00", "line 1 has a character that cannot be read (byte 0xff, not UTF-8)", "Save it again as UTF-8"),
        ('[R1]\nvalue = "4k\N{OHM SIGN}"'.encode("utf-16"), "not UTF-8", "Save it again as UTF-8"),
        (b'[R1]\nvalue = "47 \xb5"\n', "line 2 has a character that cannot be read (byte 0xb5", "Save it again as UTF-8"),
        (b"a = " + b"[" * 20000, "too many [ or {", "Start from a copy"),
        (b"a = " + b"9" * 5000, "cannot be read: ", "Start from a copy"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(32)), "not UTF-8", "Save it again as UTF-8"),
        (b'amp = "x"\n', "is 'x', but must be a heading", "Write [amp]"),
        (b"[R1]\n", "[amp]: is missing", "Write [amp]"),
        (b"[amp]\ntest = 1\n[test_points]\n", "'test' is not known here", "Near: "),
        (b'test_points = 3\n[amp]\ntitle = "x"\n', "test_points: is 3, but must be a heading for each test point", "[test_points.TP1]"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_amp_file(content: bytes, problem: str, fix: str, tmp_path: Path) -> None:
    path = tmp_path / "patient.toml"
    path.write_bytes(content)
    text = message(path)
    assert text.startswith("patient.toml: ")
    assert problem in text
    assert fix in text


def test_a_slip_keeps_its_line_and_column(tmp_path: Path) -> None:
    path = tmp_path / "patient.toml"
    path.write_text('[R1]\nvalue = "1k"\nnodes = [a]\n', encoding="utf-8")
    assert "at line 3, column 10" in message(path)


def test_fifty_megabytes_are_refused_and_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "patient.toml"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    read: list[int] = []
    real = Path.open

    def watched(self: Path, *args: Any) -> Any:
        file = real(self, *args)
        plain = file.read
        try:
            file.read = lambda size=-1: read.append(size) or plain(size)
        except AttributeError:  # some file objects take no new attribute
            file.close()
            raise
        return file

    monkeypatch.setattr(Path, "open", watched)
    text = message(path)
    assert text.startswith("patient.toml: the file is too large for an amp file (50 MB; 2 MB at most)")
    assert "Check that this is the amp file" in text
    assert read
    assert all(0 < size <= 2_000_001 for size in read)


def test_folders_devices_and_what_is_not_there(tmp_path: Path) -> None:
    assert "this is a folder" in message(tmp_path)
    write_amp(tmp_path)
    text = message(tmp_path / "patent.toml")
    assert "there is no such file or demo amp" in text
    assert "Near: patient.toml" in text
    assert "Near: teasel" in message("teesel")
    assert "demo amps: " in message("")
    assert "there is no such file" in message("x" * 5000)
    assert "there is no such file" in message("a\0b")
    os.mkfifo(tmp_path / "pipe.toml")
    assert "not an ordinary file" in message(tmp_path / "pipe.toml")


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_amp(tmp_path)

    def refused(self: Path, *args: Any) -> Any:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    text = message(path)
    assert text.startswith("patient.toml: the file cannot be read (permission denied)")
    assert "Check that you may open it" in text


@pytest.mark.parametrize(
    ("extends", "problem"),
    [
        ('"patient.toml"', "is based on 'patient.toml', which is itself based on this amp"),
        ('"nobody.toml"', "extends says 'nobody.toml', but there is no such file"),
        ('"teesel"', "Near: teasel"),
        ("3", "after extends there must be a name in quotes"),
        ('["teasel"]', "after extends there must be a name in quotes"),
    ],
)
def test_extends_that_leads_nowhere(extends: str, problem: str, tmp_path: Path) -> None:
    path = tmp_path / "patient.toml"
    path.write_text(f"[amp]\nextends = {extends}\n", encoding="utf-8")
    text = message(path)
    assert text.startswith("patient.toml: [amp]: ")
    assert problem in text


def test_extends_in_a_circle_or_too_deep(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text('[amp]\nextends = "b.toml"\n', encoding="utf-8")
    (tmp_path / "b.toml").write_text('[amp]\nextends = "a.toml"\n', encoding="utf-8")
    assert "b.toml: [amp]: this amp is based on 'a.toml', which is itself based on this amp" in message(
        tmp_path / "a.toml"
    )
    for n in range(12):
        (tmp_path / f"n{n}.toml").write_text(f'[amp]\nextends = "n{n + 1}.toml"\n', encoding="utf-8")
    assert "more than 8 files are based on one another" in message(tmp_path / "n0.toml")


def test_a_problem_in_an_extended_file_names_the_file_that_wrote_it(tmp_path: Path) -> None:
    write_amp(tmp_path, name="base.toml")
    path = tmp_path / "revision.toml"
    path.write_text('[amp]\nextends = "base.toml"\n[R14]\nvalue = "oops"\n', encoding="utf-8")
    assert message(path).startswith("revision.toml: R14: value 'oops'")
    path.write_text('[amp]\nextends = "base.toml"\n[R41]\nremoved = true\n', encoding="utf-8")
    text = message(path)
    assert "revision.toml: R41: is removed here" in text
    assert "Near: R4, R1" in text
    path.write_text('[amp]\nextends = "base.toml"\n[R21]\nremoved = true\n', encoding="utf-8")
    assert "V3: the screen ('s3') gets no B+" in message(path)

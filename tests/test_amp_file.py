"""The amp file: what is read, what is noted, and that a copy loads to the same amp."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st

from tests import amps
from tests.failures.amp_texts import TEASEL, write_amp
from tubekit.amp.amp import Amp
from tubekit.amp.fields import Quantity, fields_of
from tubekit.amp.findings import Findings
from tubekit.amp.load import amp_from_text, load_amp
from tubekit.amp.make import make_part
from tubekit.amp.parts import (
    KINDS,
    Capacitor,
    Lamp,
    MainsPlug,
    OutputTransformer,
    Potentiometer,
    PowerTransformer,
    RectifierTube,
    Resistor,
    Tube,
)
from tubekit.amp.read import parse_text
from tubekit.errors import AmpFileError
from tubekit.files import demo_names


@pytest.fixture(scope="module")
def teasel() -> Amp:
    return load_amp("teasel")


def same(a: Any, b: Any) -> bool:
    """Records compared field by field (they have no == of their own)."""
    if dataclasses.is_dataclass(a):
        return type(a) is type(b) and all(
            same(getattr(a, one.name), getattr(b, one.name)) for one in dataclasses.fields(a)
        )
    if isinstance(a, tuple):
        return len(a) == len(b) and all(map(same, a, b))
    return type(a) is type(b) and bool(np.all(a == b))


def same_amp(a: Amp, b: Amp) -> bool:
    words = ("title", "maker", "town", "year", "story", "design_mains_rms", "mains_hz", "mains_rms")
    return (
        all(getattr(a, name) == getattr(b, name) for name in words)
        and list(a.parts) == list(b.parts)
        and all(same(one, b.parts[name]) for name, one in a.parts.items())
        and list(a.test_points) == list(b.test_points)
        and all(same(one, b.test_points[name]) for name, one in a.test_points.items())
    )


def test_the_demo_amp_is_whole(teasel: Amp) -> None:
    assert demo_names()[:1] and "teasel" in demo_names()  # noqa: PT018 - one thing said of the list
    assert teasel.notes == ()
    assert teasel.source is not None
    assert teasel.source.name == "teasel.toml"
    r14, v5, v1 = teasel.parts["R14"], teasel.parts["V5"], teasel.parts["V1"]
    assert isinstance(r14, Resistor)
    assert (r14.ohms, r14.watts, r14.tolerance_percent, r14.nodes) == (270.0, 5.0, 10.0, ("k34", "ground"))
    assert isinstance(v5, RectifierTube)
    assert (v5.type, v5.plates, v5.cathode, v5.heater) == (
        "5Y3GT", ("hv_a", "hv_b"), "B1", ("B1", "v5_heater"),
    )  # fmt: skip
    assert isinstance(v1, Tube)
    assert [section.name for section in v1.sections] == ["V1a", "V1b"]
    assert [section.plate for section in v1.sections] == ["p1a", "p1b"]


def test_every_part_has_a_role_and_the_parts_that_wear_a_rating(teasel: Amp) -> None:
    for part in teasel.parts.values():
        assert part.role, part.designator
        if isinstance(part, Resistor):
            assert part.watts is not None
            assert part.tolerance_percent is not None
        if isinstance(part, Capacitor):
            assert part.volts is not None
            assert part.tolerance_percent is not None


def test_the_demo_amp_goes_from_mains_plug_to_loudspeaker(teasel: Amp) -> None:
    fed = teasel.topology.fed
    for name in ("V1", "V2", "V3", "V4"):
        tube = teasel.parts[name]
        assert isinstance(tube, Tube)
        for section in tube.sections:
            assert section.plate in fed
            assert section.grid in teasel.topology.wired.grounded(without=section.name)
    assert isinstance(teasel.parts["P1"], MainsPlug)
    assert teasel.parts["LS1"].nodes == ("speaker", "ground")


def test_windings(teasel: Amp) -> None:
    mains, output = teasel.parts["T1"], teasel.parts["T2"]
    assert isinstance(mains, PowerTransformer)
    assert isinstance(output, OutputTransformer)
    high = mains.winding("high_voltage")
    assert high.sections == (("hv_a", "ground"), ("ground", "hv_b"))
    assert high.volts == (315.0, 315.0)
    assert high.ohms == (62.0, 65.0)
    assert mains.primary.name == "primary"
    assert output.primary.turns == (15.8, 15.8)
    assert (output.henries, output.leakage) == (28.0, 0.045)
    assert set(mains.nodes) == {
        "mains_switched", "mains_neutral", "hv_a", "ground", "hv_b", "B1", "v5_heater", "h1", "h2",
    }  # fmt: skip
    # 8 ohm through the stated turns is about 8 k plate to plate (turns ratio squared, closed form)
    assert 8 * (sum(output.primary.turns) / output.windings[1].turns[0]) ** 2 == pytest.approx(8000, rel=0.01)


def test_lamp_rating_is_two_quantities(teasel: Amp) -> None:
    lamp = teasel.parts["DS1"]
    assert isinstance(lamp, Lamp)
    assert lamp.rating == (6.3, 0.15)


def test_nodes_and_the_parts_at_one(teasel: Amp) -> None:
    assert [part.designator for part in teasel.parts_at("k34")] == ["V3", "V4", "R14", "C13"]
    assert teasel.parts_at("nowhere") == ()
    assert len(teasel.nodes) == len(set(teasel.nodes))
    assert {"ground", "B1", "speaker"} <= set(teasel.nodes)


def test_terminals_bear_the_names_of_the_file(teasel: Amp) -> None:
    assert teasel.parts["R14"].terminals == (("nodes[1]", "k34"), ("nodes[2]", "ground"))
    assert ("V1b.grid", "g1b") in teasel.parts["V1"].terminals
    assert ("high_voltage.nodes[2]", "ground") in teasel.parts["T1"].terminals


def test_a_copy_loads_to_the_same_amp(teasel: Amp) -> None:
    copy = amp_from_text(teasel.copy_as_text(), "teasel")
    assert same_amp(copy, teasel)
    assert copy.copy_as_text() == teasel.copy_as_text()


def test_a_copy_of_a_changed_amp_loads_to_the_changed_amp(teasel: Amp) -> None:
    changed = teasel.changed(
        {
            "R14": "331.7",
            "V5": "5AR4",
            "R31.position": 1 / 3,
            "V3.emission": 0.8,
            "C15": "open",
            "C16": "short",
            "C3": "removed",
            "V4.screen": "p4",
            "T1.high_voltage.volts": ["300.1 V", 299.9],
            "T2.primary.leakage": "45.5 mH",
        },
        mains_rms=123.4,
    )
    copy = amp_from_text(changed.copy_as_text(), "teasel")
    assert same_amp(copy, changed)
    assert copy.parts["C15"].condition == "open"
    assert [(note.code, note.part) for note in copy.notes] == [("condition", "C15"), ("condition", "C16")]


@given(st.data())
def test_any_value_a_part_may_have_survives_the_copy(data: st.DataObject) -> None:
    quantities = [spec.form for kind in KINDS for spec in fields_of(kind) if isinstance(spec.form, Quantity)]
    form = data.draw(st.sampled_from(quantities))
    value = data.draw(st.floats(form.low, form.high))
    text = form.write(value)
    assert form.read(text) == value
    assert form.show(value)


@given(st.text(st.characters(exclude_categories=["Cc", "Cs"], include_characters="\n\t"), max_size=40))
def test_any_words_survive_the_copy(words: str) -> None:
    written = dataclasses.replace(amps.amp("no-transformer"), story=words)  # the shortest file
    assert amp_from_text(written.copy_as_text()).story == words


def test_extends_states_only_what_differs(tmp_path: Path) -> None:
    write_amp(tmp_path, name="base.toml")
    path = tmp_path / "late.toml"
    path.write_text(
        '[amp]\nextends = "base.toml"\ntitle = "Late Teasel"\n'
        '[R14]\nvalue = "250"\n'
        '[C3]\nremoved = true\n'
        '[T1.high_voltage]\nvolts = ["330 V", "330 V"]\n'
        '[C18]\nvalue = "10n"\nnodes = ["B1", "ground"]\n',
        encoding="utf-8",
    )  # fmt: skip
    amp, base = load_amp(path), load_amp(tmp_path / "base.toml")
    assert (amp.title, amp.name, amp.year) == ("Late Teasel", "late", "1956")
    assert isinstance(amp.parts["R14"], Resistor)
    assert (amp.parts["R14"].ohms, amp.parts["R14"].watts) == (250.0, 5.0)
    assert amp.parts["T1"].winding("high_voltage").volts == (330.0, 330.0)
    assert amp.parts["T1"].winding("high_voltage").ohms == (62.0, 65.0)
    assert set(amp.parts) == set(base.parts) - {"C3"} | {"C18"}
    assert same_amp(amp_from_text(amp.copy_as_text()), amp)


def test_extends_may_name_a_demo_amp_also_from_pasted_text(tmp_path: Path) -> None:
    text = '[amp]\nextends = "teasel"\nmains = "123 V"\n'
    path = tmp_path / "x.toml"
    path.write_text(text, encoding="utf-8")
    assert load_amp(path).mains_rms == amp_from_text(text).mains_rms == 123.0
    assert load_amp(str(path)).design_mains_rms == 117.0


def test_a_file_saved_elsewhere_reads_the_same(tmp_path: Path, teasel: Amp) -> None:
    path = tmp_path / "dos.toml"
    path.write_bytes(b"\xef\xbb\xbf" + TEASEL.replace("\n", "\r\n").encode())
    assert same_amp(load_amp(path), teasel)


@pytest.mark.parametrize(
    ("old", "new", "code", "note"),
    [
        ('earth = "ground"\n', "", "no_earth", "P1 has no safety ground"),
        ('position = "closed"', 'position = "open"', "switch_open", "S1 is open on the schematic"),
        ('volts = ["5.2 V"]', 'volts = ["6.5 V"]', "heater_winding", "V5: a 5 V heater on a 6.5 V winding"),
        (
            'nodes = ["B1", "ground"]\nstyle',
            'nodes = ["ground", "B1"]\nstyle',
            "reversed_electrolytic",
            "C14 is BACKWARDS",
        ),
        (
            '[F1]\nnodes = ["mains_line", "mains_fused"]\nrating = "1.5 A"\nspeed = "slow"\n',
            '[R99]\nvalue = 1\nnodes = ["mains_line", "mains_fused"]\n',
            "no_fuse",
            "No line fuse",
        ),
        ("[R24]\n", '[R24]\ncondition = "open"\n', "condition", "R24 is marked 'open' on the schematic."),
    ],
)  # fmt: skip
def test_what_is_worth_a_look_becomes_a_note(
    old: str, new: str, code: str, note: str, tmp_path: Path
) -> None:
    amp = load_amp(write_amp(tmp_path, (old, new)))
    assert [one.code for one in (*amp.dangers, *amp.notes)] == [code]
    assert note in str(amp)


def test_dangers_come_first(tmp_path: Path) -> None:
    amp = load_amp(write_amp(tmp_path, ('earth = "ground"\n', ""), ("[R1]\n", '[R1]\ncondition = "short"\n')))
    notes = (*amp.dangers, *amp.notes)
    assert [(note.code, note.danger) for note in notes] == [("no_earth", True), ("condition", False)]


def test_half_a_twin_tube_may_be_drawn_with_a_note(tmp_path: Path) -> None:
    drawn = (
        '[V9]\ntype = "12AX7"\nheater = ["h1", "h2"]\nnote = "second half spare"\n'
        '[V9.a]\nplate = "B4"\ngrid = "g1a"\ncathode = "k1a"\n'
    )
    amp = load_amp(write_amp(tmp_path, ("[R24]\n", drawn + "[R24]\n")))
    (note,) = amp.notes
    assert (note.code, str(note)) == ("sections_left_out", "V9: 1 of 2 sections drawn (second half spare).")


def test_a_diode_may_have_its_ends_by_name() -> None:
    """Anode and cathode as a schematic has them are the nodes of the part, in that order."""
    start = '[amp]\nextends = "teasel"\n[parts]\nD1 = { type = "1N4007", anode = "B1"'
    by_name = amp_from_text(f'{start}, cathode = "B2" }}\n')
    assert by_name.parts["D1"].ends == ("B1", "B2")
    assert 'nodes = ["B1", "B2"]' in by_name.copy_as_text()
    with pytest.raises(AmpFileError, match=r"D1: 'anode' is not known here"):
        amp_from_text(f"{start} }}\n")


def test_a_rheostat_and_an_unused_tap(tmp_path: Path) -> None:
    pot = (
        '[R40]\nkind = "potentiometer"\nvalue = "100"\n'
        'top = "h1"\nwiper = "ground"\nbottom = "h2"\ntaper = "linear"\n'
    )
    rheostat = pot.replace("R40", "R41").replace('wiper = "ground"', 'wiper = "h1"')
    tap = (
        'nodes = ["speaker", "ground"]\nturns = [1.0]\nresistance = ["0.5"]',
        'nodes = ["ls16", "speaker", "ground"]\nturns = [0.41, 1.0]\nresistance = ["0.3", "0.5"]',
    )
    amp = load_amp(
        write_amp(
            tmp_path,
            ("[R24]\n", pot + rheostat + "[R24]\n"),
            tap,
            ("[amp]\n", '[amp]\nleft_open = ["ls16"]\n'),
        )
    )
    assert isinstance(amp.parts["R41"], Potentiometer)
    assert amp.left_open == ("ls16",)
    assert same_amp(amp_from_text(amp.copy_as_text()), amp)


def test_it_prints_as_text_and_html(teasel: Amp) -> None:
    text = str(teasel)
    assert text.splitlines()[0] == "Ottermere Teasel, 1956: 63 parts, 117 V line."
    assert "R14   resistor            270 Ω" in text
    assert repr(teasel) == "<Amp: Ottermere Teasel, 1956: 63 parts, 117 V line.>"
    page = teasel._repr_html_()
    assert "<table" in page
    assert "common cathode resistor" in page
    changed = teasel.changed({"R14": "330"}, mains_rms=123)
    assert "R14    270 Ω  330 Ω" in str(changed)
    assert "(designed for 117 V)" in changed.headline()
    assert str(teasel.parts["R14"]) == "R14 resistor 270 Ω between k34 and ground"
    assert str(changed.changed({"R14": "open"}).parts["R14"]).startswith("R14 resistor 330 Ω (open)")


def test_html_escapes_what_stands_in_the_file(teasel: Amp) -> None:
    amp = dataclasses.replace(teasel, title="<script>alert(1)</script>")
    assert "<script>alert" not in amp._repr_html_()


def test_nothing_can_be_put_into_an_amp(teasel: Amp) -> None:
    with pytest.raises(TypeError):
        teasel.parts["R14"] = teasel.parts["R15"]  # type: ignore[index]
    with pytest.raises(dataclasses.FrozenInstanceError):
        teasel.parts["R14"].ohms = 1.0  # type: ignore[attr-defined]


def test_the_guide_names_every_key_of_every_kind(reference: Callable[[str], str]) -> None:
    guide = reference("amp-file")
    lines = [line for line in guide.splitlines() if line.startswith("| ")]
    everywhere = {"role", "note", "condition"}
    for kind in KINDS:
        line = next(line for line in lines if f"| {kind.kind} |" in line)
        keys = {spec.key for spec in fields_of(kind)} - everywhere
        assert {key for key in keys if f"`{key}`" not in line} == set(), kind.kind
        assert line.startswith(f"| {', '.join(kind.letters)} |")


def test_the_guide_shows_an_amp_file_that_toml_reads(reference: Callable[[str], str]) -> None:
    guide = reference("amp-file")
    block = guide.split("```toml\n[amp]")[1].split("```")[0]
    tables = parse_text("[amp]" + block, "guide")
    findings = Findings("guide", {})
    for name in ("R14", "V1", "T1"):
        assert make_part(name, tables[name], findings) is not None
    assert findings.problems == []


@pytest.mark.parametrize(
    ("lines", "kind"),
    [
        ('[R99]\nvalue = "1M"\ntop = "in"\nwiper = "g"\nbottom = "ground"\ntaper = "audio"', "potentiometer"),
        ('[S2]\ncommon = "a"\ncontacts = ["b", "c"]\nposition = 1', "selector switch"),
        ('[P2]\nplug = ["a", "b"]\nsocket = ["c", "d"]', "connector"),
    ],
)
def test_a_part_without_its_kind_is_told_once_which_it_looks_like(lines: str, kind: str) -> None:
    with pytest.raises(AmpFileError) as text:
        amp_from_text(f'[amp]\nextends = "teasel"\n{lines}\n')
    first = text.value.problems[0]
    assert first.problem == f"looks like a {kind}, but its kind is missing"
    assert not any("is not known here" in one.problem for one in text.value.problems)

"""What can kill or burn on an amp is said first, in every answer about it.

The dangers themselves are common practice of the trade (no source); leakage is 2πfCV.
"""

from __future__ import annotations

import dataclasses
import importlib
import json
import pkgutil
import typing
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import tubekit
from tests.amps import FILES, amp, solved
from tubekit.amp import Amp, AmpReport, analyze
from tubekit.amp.dangers import LIVE_CHASSIS
from tubekit.amp.discharge import discharge
from tubekit.amp.load import load_amp
from tubekit.bench.chassis_diff import chassis_diff
from tubekit.cli.main import main
from tubekit.decisions import Limits, swap
from tubekit.errors import ChangeError
from tubekit.record.record import contents
from tubekit.text import Printed
from tubekit.units import show

LIVE = "no-transformer"


def codes(one: Amp) -> list[str]:
    return [danger.code for danger in one.dangers]


def test_a_live_chassis_is_named_first_and_never_to_be_grounded() -> None:
    assert codes(amp(LIVE)) == [LIVE_CHASSIS, "no_earth", "no_fuse"]
    first, second, _ = (danger.text for danger in amp(LIVE).dangers)
    assert "through S1" in first
    assert "isolation transformer" in first
    assert "Do not ground this chassis" in first
    assert "must not get one" in second  # a third wire on this chassis shorts the line


@pytest.mark.parametrize("name", ["teasel", "burdock", "fescue", "vetch", "ultralinear"])
def test_a_grounded_fused_amp_has_no_dangers_of_its_own(name: str) -> None:
    assert amp(name).dangers == ()
    assert "DANGER" not in str(amp(name))


def test_a_two_wire_cord() -> None:
    assert codes(amp("paraphase-field-coil")) == ["no_earth"]


def test_a_bridged_fuse_protects_nothing() -> None:
    assert codes(amp("teasel").changed({"F1": "short"})) == ["no_fuse"]
    assert codes(amp("fescue").changed({"F1": "short"})) == ["no_fuse"]


def test_a_line_to_chassis_capacitor_and_its_current(tmp_path: Path) -> None:
    file = tmp_path / "death.toml"
    file.write_text(
        '[amp]\nextends = "teasel"\n[C90]\nvalue = "47n"\nnodes = ["mains_neutral", "ground"]\n'
        '[C91]\nvalue = "10u"\nstyle = "electrolytic"\nnodes = ["ground", "B1"]\n'
    )
    result = load_amp(file)
    assert codes(result) == ["line_capacitor", "reversed_electrolytic"]
    milliamps = 1e3 * 2 * np.pi * 60 * 47e-9 * 117
    assert f"C90 joins the power line to the chassis: {milliamps:.1f} mA" in result.dangers[0].text
    assert "C91 is BACKWARDS" in result.dangers[1].text
    assert codes(result.changed({"C90": "open", "C91": "removed"})) == []


@pytest.mark.parametrize(
    "words",
    [
        ["report"], ["supply"], ["line-band"], ["bench", "up"], ["discharge"], ["regulation"], ["trace"],
        ["swap", "R1=47"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_every_command_begins_with_them(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    command, *rest = words
    place = 1 if command == "bench" else 0
    rest.insert(place, str(FILES / f"{LIVE}.toml"))
    assert main([command, *rest]) == 0
    assert capsys.readouterr().out.startswith("DANGER: LIVE CHASSIS.")


def test_json_has_them_first(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(FILES / f"{LIVE}.toml"), "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert next(iter(result)) == "dangers"
    assert result["dangers"][0]["code"] == LIVE_CHASSIS


def test_notebooks_and_records_begin_with_them() -> None:
    from tubekit.record.page import page

    assert solved(LIVE).html().startswith('<section class="tubekit"><p class="tubekit-danger" role="alert">')
    sheet = page(contents(amp(LIVE), solved(LIVE)))
    assert sheet.index("LIVE CHASSIS") < sheet.index("<h2>Decided</h2>")


def test_panels_say_them_above_the_list_of_amps() -> None:
    from tubekit.panels.amp_choice import AmpSetting

    box = AmpSetting(amp("teasel"))
    assert box.danger.value == ""
    box.put(str(FILES / f"{LIVE}.toml"))
    assert "LIVE CHASSIS" in box.danger.value
    assert box.children[0] is box.danger


def _about_amps() -> Iterator[type]:
    """Every result that prints, of the rooms that know what an amp is."""
    for room in ("amp", "decisions", "bench", "cli"):
        package = importlib.import_module(f"tubekit.{room}")
        for module in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            result = vars(importlib.import_module(module.name))
            for one in result.values():
                if isinstance(one, type) and issubclass(one, Printed) and one.__module__ == module.name:
                    yield one


def _knows(kind: object, seen: tuple[object, ...] = ()) -> bool:
    """Whether a field of this type leads to an amp."""
    if kind is Amp:
        return True
    if any(kind is one for one in seen) or not dataclasses.is_dataclass(kind):
        return any(_knows(one, seen) for one in typing.get_args(kind) if one is not type(None))
    hints = typing.get_type_hints(
        kind, localns={"AmpReport": AmpReport, "Limits": Limits}, include_extras=False
    )
    held = [hints[field.name] for field in dataclasses.fields(kind) if field.name in hints]
    direct = [
        one for one in held if not typing.get_origin(one) or typing.get_origin(one) not in (tuple, list)
    ]
    return any(_knows(one, (*seen, kind)) for one in direct)


def test_no_answer_about_an_amp_can_forget_it() -> None:
    """A new result says them by itself, as long as it holds its amp or a result that does."""
    assert tubekit.__version__
    without = {one.__name__ for one in _about_amps() if one is not Amp and not _knows(one)}
    assert without == {"AmpList"}  # the list of the demo amps is about none of them


def test_an_output_tube_without_its_bias_is_a_danger_before_all_else(tmp_path: Path) -> None:
    """R31 joins V6's grid to the bias supply; at ground V6 draws all it can, in each answer about it."""
    assert not any(note.code == "overheated" for note in solved("reverb-tremolo").idle_dangers)
    drawing = FILES / "reverb-tremolo.toml"
    found = tmp_path / "found.toml"
    found.write_text(f'[amp]\nextends = "{drawing}"\n[R31]\nnodes = ["d6", "ground"]\n')
    now = load_amp(found)
    v6 = analyze(now).tube("V6")
    assert v6.plate_share > 3
    amps, watts = show(v6.cathode_a, "A"), show(v6.plate_w, "W")
    first = f"DANGER: Do not power up. V6 (6V6GT) idles at {amps}, {watts} on the plate"
    assert " ".join(str(chassis_diff(now, str(drawing))).split()).startswith(first)
    assert " ".join(str(swap(now, {"C1": "22u"})).split()).startswith(first)
    lost = swap(amp("reverb-tremolo"), {"CR1": "open"})
    assert lost.dangers[0].code == "overheated"
    assert "V7" in lost.dangers[0].text


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"V8": "shorted"}, "fuse_blows", "Do not power up. F1 carries"),
        ({"C54": "shorted"}, "overheated", "Do not power up. V6"),
        ({"CR1": "reversed"}, "overheated", "Do not power up. V6"),
        ({"C54": "reversed"}, "reversed_electrolytic", "C54 is BACKWARDS"),
        ({"C1": "reversed"}, "reversed_electrolytic", "Do not power up. C1 is BACKWARDS: 1.41 V"),
    ],
)
def test_a_fault_named_as_a_change_says_its_danger_first(
    change: dict[str, object], code: str, words: str
) -> None:
    result = swap(amp("reverb-tremolo"), change)
    assert result.dangers[0].code == code
    assert result.dangers[0].text.startswith(words)
    ((_, now),) = result.after.amp.changes.values()
    assert now in ("short", "reversed")


def test_an_open_rectifier_gives_no_b_plus_and_a_pulled_tube_no_row() -> None:
    one = amp("reverb-tremolo")
    assert analyze(one.changed({"V8": "open"})).node("B1").dc_v < 1.0
    assert "V6" not in {t.section for t in swap(one, {"V6": "pulled"}).after.tubes}
    assert swap(one, {"V6": "pulled"}).moved.rows
    with pytest.raises(ChangeError, match="works either way"):
        one.changed({"R4": "reversed"})


def test_a_line_side_that_is_right_is_said_to_be_and_a_fuse_in_the_neutral_is_not() -> None:
    assert amp("reverb-tremolo").line_side.words == (
        "Line side: F1 in the hot lead before S1, three-wire cord, no capacitor from line to chassis: right."
    )
    assert amp(LIVE).line_side.words == ""
    one = amp("reverb-tremolo")
    lead = dataclasses.replace(one.parts["P1"], line="N", neutral="L")
    crossed = dataclasses.replace(one, parts={**one.parts, "P1": lead})
    assert "F1 is in the neutral lead: with it open the amp is still live." in crossed.line_side.words
    assert "S1 is in the neutral lead" in crossed.line_side.words


def test_what_bleeds_no_capacitor_is_said_with_the_resistor_to_use() -> None:
    """64 µF from 464 V to 10 V through 8.2 kΩ: RC·ln(46.4) = 2.0 s; 464²/8200 = 26 W for an instant."""
    words = discharge(amp("reverb-tremolo")).answer()
    assert "Nothing bleeds C50, C51, C52, C53. Use 8.2 kΩ, 5 W with insulated leads, 5 s on each." in words
    assert "Nothing bleeds" not in discharge(amp("teasel")).answer()

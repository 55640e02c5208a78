"""One part a line: what is written loads to the same amp, and a slip is said by line and designator."""

from __future__ import annotations

import pytest

from tests.amps import EVERY, amp
from tests.every_kind import every_kind
from tests.test_amp_file import same_amp
from tubekit.amp import Amp
from tubekit.amp.load import amp_from_text
from tubekit.amp.parts import Transformer, Tube
from tubekit.errors import AmpFileError


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
        ('R14 = { value = "1" }\nR14 = { value = "2" }', "R14", "is there twice", "line 5"),
        ('R14 = { value = "1", value = "2" }', "R14", "'value' is written twice", "Keep one value"),
        ("R14 = { value = 4K7 }", "R14", "line 4", "text in quotation marks"),
        ('R14 = { value = "4K7"\nR15 = { value = "1M" }', "R14", "line 4", "Write each part as"),
        ('R14 { value = "4K7" }', "R14", "line 4", "Write each part as"),
        (
            'T1 = { kind = "power transformer" }\nT1.primary = { volts = ["117 V"] }',
            "T1",
            "complete within its braces",
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
    said = str(caught.value)
    assert said.startswith(f"mine.toml: {part}: ")
    assert problem in said
    assert fix in said


def test_a_part_above_the_line_of_the_parts_is_sent_below_it() -> None:
    with pytest.raises(AmpFileError, match=r"\[amp\]: 'R14' is not known here\. Write a line \[parts\]"):
        amp_from_text('[amp]\nextends = "teasel"\nR14 = { value = "330" }\n')


def test_lines_and_headings_may_be_mixed() -> None:
    mixed = amp_from_text(HEAD + 'R14 = { value = "330" }\n[R15]\nvalue = "330k"\n')
    assert (mixed.parts["R14"].ohms, mixed.parts["R15"].ohms) == (330.0, 330e3)

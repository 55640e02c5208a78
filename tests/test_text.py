"""Tables as text and HTML, result fields, JSON values."""

import dataclasses
import enum
import html.parser
import json
import math
import pathlib
import re

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_array_equal

from tubekit.layout import fitted, text_width
from tubekit.text import (
    Column,
    FieldDoc,
    Printed,
    Table,
    fields_of,
    frozen_array,
    quantity,
    style,
    to_json_value,
)

TABLE = Table(
    "Supply at 117 V <rms>",
    [Column("node"), Column("volts", "V"), Column("share", "%", format=".1f"), Column("rating")],
    [
        ("B1 & B2", 335.2, 12.345, ("within")),
        ("screen 字", np.array([310.0, np.nan, 320.0]), math.nan, (0.0523, "A")),
        ("é\u0301", None, 3, True),
    ],
    note="Measure, do not trust the sum.",
)


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Idle(Printed):
    tube: str
    plate_a: np.ndarray = quantity("A", "Ip", "plate current at rest")
    plate_w: float = quantity("W", "Pp", "plate dissipation", default=math.nan)

    def headline(self):
        return f"{self.tube} idles <hot>"

    def tables(self):
        return [TABLE, TABLE]


IDLE = Idle("V3", frozen_array([0.05, np.nan]))


def test_text_is_aligned_as_people_read_it():
    assert TABLE.text().splitlines() == [
        "Supply at 117 V <rms>",
        "node             volts  share [%]  rating",
        "──────────────────────────────────────────",
        "B1 & B2          335 V       12.3  within",
        "screen 字  310 V…320 V          —  52.3 mA",
        "é\u0301                             3.0  yes",
        "Measure, do not trust the sum.",
    ]


class Reader(html.parser.HTMLParser):
    """Collects text by element and checks that elements close in order."""

    def __init__(self):
        super().__init__()
        self.open, self.seen, self.attributes = [], [], []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)
        self.attributes.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.seen.append((self.open[-1], data))


def read(markup):
    reader = Reader()
    reader.feed(markup)
    reader.close()
    assert reader.open == []
    return reader


def test_html_is_semantic_and_escaped():
    reader = read(TABLE.html())
    assert ("caption", "Supply at 117 V <rms>") in reader.seen
    assert ("th", "B1 & B2") in reader.seen
    assert ("td", "310 V…320 V") in reader.seen
    scopes = [attributes.get("scope") for tag, attributes in reader.attributes if tag == "th"]
    assert scopes == ["col"] * 4 + ["row"] * 3
    assert "<rms>" not in TABLE.html()


@given(
    st.lists(st.tuples(st.text(max_size=9), st.text(max_size=9), st.floats()), max_size=4),
    st.text(max_size=9),
)
def test_any_words_stay_words_in_both_forms(rows, title):
    table = Table(title, (Column("a"), Column("b"), Column("n", "V")), rows)
    tags = {tag for tag, _ in read(table.html()).attributes}
    assert tags <= {"table", "caption", "thead", "tbody", "tr", "th", "td"}
    lines = table.text().split("\n")
    assert len(lines) == len(rows) + 2 + bool(title)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", table.text())


def test_a_wrong_row_is_refused_at_once():
    with pytest.raises(ValueError, match="table 'x': row 2 has 1 cells for 2 columns"):
        Table("x", (Column("a"), Column("b")), [(1, 2), (3,)])


def test_alignment_can_be_given():
    table = Table("", (Column("a", align="right"), Column("b", align="left")), [("x", 1), ("yyy", 22)])
    assert table.text() == "  a  b\n───────\n  x  1\nyyy  22"


def test_whole_numbers_stay_whole_and_empty_tables_print():
    assert Column("n").write(123456) == "123456"
    assert Column("n").write(np.int64(3)) == "3"
    assert Column("n", "V", format=".0f").write([1.0, 2.0]) == "1…2"
    assert Table("Nothing", (Column("a"),), []).text() == "Nothing\na\n─"
    assert Table("None at all", (), []).text().startswith("None at all")


def test_printed_gives_text_html_and_a_short_repr():
    assert str(IDLE) == f"V3 idles <hot>\n\n{TABLE.text()}\n\n{TABLE.text()}"
    assert repr(IDLE) == "<Idle: V3 idles <hot>>"
    page = IDLE._repr_html_()
    assert page.count("<style>") == 1
    assert page.count("<table") == 2
    assert "idles &lt;hot&gt;" in page
    assert "<style>" not in IDLE.html()
    read(page)


def test_the_style_carries_no_color_of_its_own():
    sheet = style()
    assert "@media print" in sheet
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b|rgb|hsl", sheet)
    assert set(re.findall(r"(?<![-\w])color: ([a-z]+)", sheet)) <= {"inherit", "black"}
    assert "http" not in sheet


def test_fields_know_their_units():
    assert fields_of(IDLE) == fields_of(Idle)
    assert fields_of(Idle)[0] == FieldDoc("plate_a", "A", "Ip", "plate current at rest")
    assert [field.name for field in fields_of(Idle)] == ["plate_a", "plate_w"]


def test_frozen_arrays_are_copies_that_cannot_change():
    mine = np.array([1.0, 2.0])
    kept = frozen_array(mine)
    mine[0] = 9
    assert_array_equal(kept, [1, 2])
    with pytest.raises(ValueError, match="read-only"):
        kept[0] = 9
    assert frozen_array([True, False]).dtype == bool
    assert frozen_array([1, 2], float).dtype == float
    for wrong in ([[1, 2], [3]], [object()]):
        with pytest.raises(TypeError):
            frozen_array(wrong)


class Verdict(enum.Enum):
    HOT = "hot"


def test_json_values():
    assert to_json_value(IDLE) == {"tube": "V3", "plate_a": [0.05, None], "plate_w": None}
    mixed = {
        ("V1", "a"): np.float64(1.5),
        "flag": np.True_,
        "n": np.int64(3),
        "gain": np.array([1 + 2j]),
        "verdict": Verdict.HOT,
        "file": pathlib.PurePosixPath("amps/x.toml"),
        "set": {"b", "a"},
        "worst": -math.inf,
        "none": None,
    }
    assert to_json_value(mixed) == {
        "V1.a": 1.5,
        "flag": True,
        "n": 3,
        "gain": [{"real": 1.0, "imag": 2.0}],
        "verdict": "hot",
        "file": "amps/x.toml",
        "set": ["a", "b"],
        "worst": None,
        "none": None,
    }
    with pytest.raises(TypeError, match="has no JSON form"):
        to_json_value(Idle)
    with pytest.raises(TypeError, match="object has no JSON form"):
        to_json_value([object()])


leaves = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.complex_numbers()
trees = st.recursive(leaves, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=12)


@given(trees)
def test_any_tree_becomes_strict_json(tree):
    value = to_json_value(tree)
    assert json.loads(json.dumps(value, allow_nan=False)) == value


def test_wide_characters_are_wrapped_by_the_places_they_take():
    lines = fitted(("a", "b"), [("0" * 40, "表" * 31)], (False, False), 100)[1][0]
    assert max(map(text_width, lines)) <= 100
    assert "".join(lines).count("表") == 31

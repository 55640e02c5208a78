"""Schematics: every part is there, wires join what the file joins, no words overlap, volts are the report's.

Symbols follow IEEE Std 315, from memory; nothing here compares with a printed drawing.
"""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from functools import cache
from itertools import combinations, pairwise

import pytest

from tests.amps import OTHERS, amp
from tests.plots import odd_amps
from tubekit import plots
from tubekit.amp import Amp, AmpReport, analyze, demo_names, load_amp
from tubekit.amp.parts import GROUND
from tubekit.decisions import SwapReport, swap
from tubekit.errors import InputError, TubekitError
from tubekit.plots import ink
from tubekit.plots.ink import Drawing
from tubekit.plots.schematics.grid import Box
from tubekit.plots.schematics.paint import Panel, prepare
from tubekit.plots.schematics.route import runs
from tubekit.plots.schematics.view import View

ALL: dict[str, Callable[[], Amp]] = {
    **{name: (lambda name=name: load_amp(name)) for name in demo_names()},
    **{make.__name__: make for make in odd_amps.ODD},
    **{name: (lambda name=name: amp(name)) for name in OTHERS},
}
every_amp = pytest.mark.parametrize("name", ALL)


@cache
def report(name: str) -> AmpReport:
    return analyze(ALL[name]())


@cache
def view(name: str) -> View:
    return View(report(name), 0)


def panels(name: str) -> list[Panel]:
    """The sections of the whole sheet, each with its wires."""
    return view(name).panels


@cache
def alone(name: str) -> tuple[Panel, ...]:
    """Each section as it is drawn by itself, with what it feeds."""
    one = view(name)
    return tuple(prepare(one.plan(each, onward=True), one.reader) for each in one.map.sections)


# ---- nothing is lost


@every_amp
def test_every_part_is_drawn_once(name: str) -> None:
    amp = ALL[name]()
    drawn = Counter(one.name for panel in panels(name) for one in panel.board.laid)
    own = [item for panel in panels(name) for item in (*panel.plan.section.tubes, *panel.plan.section.items)]
    assert {part for item in own for part in item.parts} == set(amp.parts)
    listed = {item.name for panel in panels(name) for item in panel.plan.also}
    for item in own:
        assert drawn[item.name] + (item.name in listed) == 1, item.name


@every_amp
def test_a_stage_alone_repeats_what_it_feeds_and_no_more(name: str) -> None:
    for panel in alone(name):
        section = panel.plan.section
        wanted = Counter(item.name for item in (*section.tubes, *section.items, *section.onward))
        laid = Counter(
            one.name for one in panel.board.laid if one.shape.symbol not in ("entry", "exit", "words")
        )
        assert laid + Counter(item.name for item in panel.plan.also) == wanted


@every_amp
def test_nothing_had_to_be_left_to_words_but_a_few_volts(name: str) -> None:
    for panel in (*panels(name), *alone(name)):
        assert panel.plan.also == []
        assert panel.wires.missed == []
        assert len(panel.labels.missed) <= (0 if name in demo_names() else 4), panel.labels.missed


# ---- wires


@every_amp
def test_wires_join_what_the_amp_joins_and_nothing_else(name: str) -> None:
    for panel in (*panels(name), *alone(name)):
        pins = {pin.at: pin.node for one in panel.board.laid for pin in one.pins}
        for node in panel.plan.inner:
            at = {pin.at for pin in panel.board.pins_of(node)}
            joined = _reach(next(iter(at)), panel.wires.of(node)) if at else set()
            assert at <= joined, (name, node)
            assert all(pins[point] == node for point in joined & set(pins)), (name, node)


def _reach(start: tuple[int, int], edges: list) -> set[tuple[int, int]]:
    seen, todo = {start}, [start]
    while todo:
        here = todo.pop()
        for a, b in edges:
            if here in (a, b):
                far = b if here == a else a
                if far not in seen:
                    seen.add(far)
                    todo.append(far)
    return seen


@every_amp
def test_two_nets_only_ever_cross_straight(name: str) -> None:
    for panel in panels(name):
        at: dict[tuple[int, int], list[tuple[str, bool]]] = {}
        for (a, b), node in panel.wires.owner.items():
            for point in (a, b):
                at.setdefault(point, []).append((node, a[1] == b[1]))
        for point, ends in at.items():
            if len({node for node, _ in ends}) > 1:
                level = {node for node, flat in ends if flat}
                assert (len(ends), len(level)) == (4, 1), (name, point, ends)


@every_amp
def test_wires_run_around_symbols_and_words(name: str) -> None:
    for panel in (*panels(name), *alone(name)):
        words = [each for one in panel.board.laid for each in one.words] + list(panel.labels.words)
        boxes = [_ink(each.box) for each in words]
        boxes += [_ink(box) for one in panel.board.laid for box in one.bodies]
        for node in panel.plan.inner:
            for (x0, y0), (x1, y1) in runs(panel.wires.of(node)):
                wire = Box(x0 + 0.01, y0 - 0.01, x1 - 0.01, y1 + 0.01) if y0 == y1 else None
                wire = wire or Box(x0 - 0.01, y0 + 0.01, x0 + 0.01, y1 - 0.01)
                hit = [box for box in boxes if wire.hits(box)]
                assert not hit, (name, panel.plan.section.name, node, hit)


def _ink(box: Box) -> Box:
    """What is seen of a box: the line spacing and the room about a symbol off."""
    return Box(box.left + 0.16, box.bottom + 0.16, box.right - 0.16, box.top - 0.16)


# ---- words


def _overlaps(drawing: Drawing) -> list[tuple[str, str]]:
    drawing.figure.draw_without_rendering()
    renderer = drawing.figure.canvas.get_renderer()
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in drawing.lines if text.get_text()]
    return [
        (one, other)
        for (one, a), (other, b) in combinations(boxes, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1 and min(a.y1, b.y1) - max(a.y0, b.y0) > SPACING
    ]


SPACING = 1.5
"""Pixels by which the boxes of two lines of text may share their descenders' room."""


@every_amp
def test_no_words_overlap_on_the_whole_sheet(name: str) -> None:
    assert _overlaps(view(name).whole()) == []


@pytest.mark.parametrize("name", demo_names())
def test_no_words_overlap_where_values_are_told_twice(name: str) -> None:
    amp = load_amp(name)
    tubes = {one.designator: 0.7 for one in amp.parts.values() if one.kind == "tube"}
    resistors = [one for one in amp.parts.values() if one.kind == "resistor"]
    changes = {f"{tube}.emission": emission for tube, emission in tubes.items()}
    changes |= {one.designator: 1.1 * one.ohms for one in resistors}
    changed = swap(amp, changes, mains_rms=1.05 * amp.design_mains_rms)
    for section in plots.schematic_sections(amp):
        drawing = plots.schematic(changed, section)
        assert _overlaps(drawing) == []
        for one in View(changed, 0).section(section).items:
            if one.name in changes:
                assert any(text.get_text().startswith("was ") for text in drawing.lines)


# ---- volts


def test_the_volts_are_those_of_the_report() -> None:
    result = report("teasel")
    texts = [text.get_text() for text in plots.schematic(result, "V1a").lines]
    for node in ("p1a", "k1a", "B4"):
        volts = result.node(node).dc_v
        words = next(text for text in texts[texts.index(node) + 1 :] if text.endswith("V"))
        assert float(words.removesuffix(" V")) == pytest.approx(volts, rel=5e-3)


@every_amp
def test_every_node_that_is_drawn_has_its_volts(name: str) -> None:
    reader = view(name).reader
    for panel in panels(name):
        lines = [line.text for words in panel.labels.words for line in words.lines]
        lines += [line.text for one in panel.board.laid for words in one.words for line in words.lines]
        lines += [
            word
            for words in panel.notes
            for line in words.lines
            for word in line.text.replace(",", "").split()
        ]
        for item in (*panel.plan.section.tubes, *panel.plan.section.items):
            if item.kind in ("heater", "rectifier") or panel.plan.section.kind == "heaters":
                continue
            for node in item.nodes:
                assert node in lines or node == GROUND, (name, item.name, node)
        volts = {reader.volts(node) for node in panel.plan.inner if panel.plan.section.kind == "stage"}
        assert volts <= {*lines, *(f"{a} {b}" for a, b in pairwise(lines))}, name


def test_the_mains_side_has_no_volts_to_ground() -> None:
    texts = [text.get_text() for text in plots.schematic(report("teasel"), "supply").lines]
    after = texts[texts.index("mains_neutral") + 1]
    assert not after.endswith(("V", "AC"))
    assert "117 V AC" in texts


def test_rails_tell_their_ripple() -> None:
    result = report("teasel")
    texts = [text.get_text() for text in plots.schematic(result, "supply").lines]
    rail = next(rail for rail in result.rails if rail.node == "B1")
    assert f"{rail.ripple_pp_v:.1f} V p-p" in texts


def test_an_amp_without_a_solution_is_drawn_without_volts() -> None:
    drawing = plots.schematic(load_amp("teasel"), "V3")
    texts = [text.get_text() for text in drawing.lines]
    assert "No voltages calculated." in texts
    assert not any(text.endswith(" V") for text in texts)
    assert "p3" in texts
    assert "Volts" not in drawing.words


# ---- changes


@pytest.fixture(scope="module")
def changed() -> SwapReport:
    return swap(load_amp("teasel"), {"R14": "330", "V5": "5AR4", "C1": "open"}, mains_rms=123)


def test_a_changed_part_says_what_it_was(changed: SwapReport) -> None:
    drawing = plots.schematic(changed, "R14")
    result = {text.get_text(): text for text in drawing.lines}
    assert {"330", "was 270"} <= set(result)
    assert result["was 270"].get_color() == ink.OXIDE
    assert result["was 270"].get_fontweight() == "bold"
    before, after = (one.node("k34").dc_v for one in (changed.before, changed.after))
    assert f"{before:.1f} → {after:.1f} V" in result
    assert "was fitted" in [text.get_text() for text in plots.schematic(changed, "C1").lines]
    assert "was 5Y3GT" in plots.schematic(changed, "V5").words


def test_what_was_taken_out_is_told() -> None:
    taken = swap(load_amp("teasel"), {"C13": "removed"})
    assert "Removed: C13 25µ" in [text.get_text() for text in plots.schematic(taken, "V3").lines]


def test_an_amp_with_changes_is_compared_with_the_drawn_one() -> None:
    amp = load_amp("teasel").changed({"R31.position": 0.8})
    assert "was 1M 50 %" in plots.schematic(amp, "R31").words
    assert "was" not in plots.schematic(amp, "V3").words


def test_one_member_of_a_batch() -> None:
    batch = analyze(load_amp("teasel").changed({"R14": ["270", "330"]}))
    words = plots.schematic(batch, "V3", member=1).words
    assert "R14 330 was 270" in words
    alone = analyze(load_amp("teasel").changed({"R14": "330"})).node("k34").dc_v
    assert f"k34 {alone:.1f} V" in words


# ---- customs of the drawing


@every_amp
def test_plates_up_grounds_down_signal_from_the_left(name: str) -> None:
    for panel in panels(name):
        laid = {one.name: one for one in panel.board.laid}
        for tube in panel.plan.section.tubes:
            one = laid[tube.name]
            ends = {(pin.x, pin.y) for pin in one.pins} | {(one.x + t.x, one.y + t.y) for t in one.shape.tags}
            assert (one.x, one.y + max(tag[1] - one.y for tag in ends)) in ends  # the plate, on top
            assert (one.x - 3, one.y) in ends  # the grid, to the left
            assert (one.x - 1, one.y - 3) in ends  # the cathode, below
        for one in panel.board.laid:
            assert not any(tag.node == GROUND and tag.way == (0, 1) for tag in one.shape.tags), one.name


def test_a_plate_load_stands_over_its_tube_and_a_bypass_beside_its_resistor() -> None:
    laid = {one.name: one for one in panels("teasel")[0].board.laid}
    assert laid["R5"].x == laid["V1a"].x
    assert laid["R5"].y > laid["V1a"].y > laid["R4"].y == laid["C1"].y
    assert laid["J1"].x < laid["R2"].x < laid["V1a"].x


def test_the_stages_stand_in_signal_order() -> None:
    assert list(plots.schematic_sections(load_amp("burdock"))) == [
        "V1a",
        "V1b",
        "V2a V2b",
        "V3 V4",
        "supply",
        "heaters",
    ]
    assert list(plots.schematic_sections(load_amp("fescue")))[:5] == ["V1a", "V1b", "V2a", "V2b", "V3 V4"]
    springs = list(plots.schematic_sections(odd_amps.reverberating()))
    assert springs.index("V1a") < springs.index("V7") < springs.index("V2a")


# ---- asking for it


def test_any_part_finds_its_section() -> None:
    amp = load_amp("teasel")
    for part in ("R14", "V3", "T2", "LS1"):
        assert plots.schematic(amp, part).words == plots.schematic(amp, "V3 V4").words
    with pytest.raises(InputError) as caught:
        plots.schematic(amp, "R114")
    assert "R14" in caught.value.near


def test_pages_hold_every_section_once() -> None:
    result = report("burdock")
    for paper, size in (("A4", (8.27, 11.69)), ("Letter", (8.5, 11.0))):
        pages = plots.schematic_pages(result, paper=paper)
        assert sum(len(page.axes) for page in pages) == len(plots.schematic_sections(result.amp))
        for page in pages:
            assert sorted(page.figure.get_size_inches()) == pytest.approx(size)
            assert all(axes.get_position().y0 > 0 and axes.get_position().x1 < 1 for axes in page.axes)
            assert min(text.get_fontsize() for text in page.lines) > 4.5
    with pytest.raises(InputError):
        plots.schematic_pages(result, paper="A7")


def test_the_table_reads_out_the_same_volts() -> None:
    result = report("teasel")
    rows = {row[0]: row for row in plots.schematic_table(result, "V3 V4").rows}
    assert rows["k34"][1] == f"{result.node('k34').dc_v:.1f} V"
    assert {"V3 6V6GT", "R14 270", "C13 25µ"} <= set(rows["k34"][2].split(", "))


def test_the_same_result_gives_the_same_picture() -> None:
    assert plots.schematic(report("teasel"), "V2a").png() == plots.schematic(report("teasel"), "V2a").png()


def test_the_library_is_loaded_by_the_first_drawing_only() -> None:
    program = (
        "import sys; from tubekit import plots, load_amp; amp = load_amp('teasel');"
        "plots.schematic_sections(amp); print('schemdraw' in sys.modules);"
        "plots.schematic(amp, 'V1a'); print('schemdraw' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


def test_a_part_with_no_symbol_of_its_own_is_a_box() -> None:
    from tubekit.plots.schematics.grid import LEFT
    from tubekit.plots.schematics.sections import Item
    from tubekit.plots.schematics.shapes import Maker

    view = View(load_amp("teasel"), 0)
    item = Item("R1", "something new", (("x", "a"), ("y", "b"), ("z", GROUND)), ("R1",))
    shape = Maker(view.reader, frozenset({"a", "b"})).shape(item)
    assert shape.symbol == "box"
    assert [(pin.node, pin.way) for pin in shape.pins] == [("a", LEFT), ("b", LEFT)]
    assert [tag.node for tag in shape.tags] == [GROUND]


def test_every_odd_amp_is_a_good_one() -> None:
    for make in odd_amps.ODD:
        try:
            report(make.__name__)
        except TubekitError as error:
            pytest.fail(f"{make.__name__}: {error}")

"""The form: nothing entered is lost, complaints stand beside their part, and what is saved is an amp file."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from tubekit import analyze, load_amp
from tubekit.amp import demo_names
from tubekit.errors import ChangeError
from tubekit.panels import AmpForm
from tubekit.panels.form import suggest
from tubekit.panels.form.boxes import entries, winding_entries
from tubekit.panels.form.draft import Draft, kind_of
from tubekit.panels.form.editor import BLANK, OPEN, WRONG, complaints, in_short
from tubekit.panels.form.parts_list import KINDS, TO_DO


@pytest.fixture
def form(tmp_path: Path) -> AmpForm:
    return AmpForm(folder=tmp_path)


# ---- a draft is an amp file being written


@pytest.mark.parametrize("name", demo_names())
def test_a_copy_of_a_demo_amp_is_that_amp(name: str) -> None:
    draft = Draft.begun(name)
    assert draft.problems == ()
    amp, copy = load_amp(name), draft.amp
    assert copy is not None
    assert copy.copy_as_text() == amp.copy_as_text()
    assert Draft.of_text(draft.text()).tables == draft.tables


@pytest.mark.parametrize("name", demo_names())
def test_every_box_of_a_demo_amp_shows_what_stands_in_its_file(name: str) -> None:
    """Nothing that a file can say is out of the form's reach, but the inner fields of test points."""
    draft = Draft.begun(name)
    for part, table in draft.parts.items():
        kind = kind_of(part, table)
        assert kind is not None
        reached = {(part, *entry.path) for entry in entries(part, table)}
        inner = {key: one for key, one in table.items() if isinstance(one, dict)}
        if "transformer" in kind.kind:
            for winding, one in inner.items():
                reached |= {(part, *entry.path) for entry in winding_entries(kind, winding, one)}
        for path in leaves((part,), table):
            joined = path[:-1] if path[-1] in range(12) and path[:-1] in reached else path
            assert joined in reached or path[-1] == "kind", path


def leaves(path: tuple, value: object) -> list[tuple]:
    if isinstance(value, dict):
        return [leaf for key, one in value.items() for leaf in leaves((*path, key), one)]
    if isinstance(value, list):
        return [leaf for place, one in enumerate(value) for leaf in leaves((*path, place), one)]
    return [path]


def test_a_variant_states_only_what_differs(form: AmpForm, tmp_path: Path) -> None:
    form.begin("vetch")
    form.put(("R9", "value"), "330")
    form.select("R13")
    form.remove()
    path = form.save(short=True)
    assert path is not None
    text = path.read_text(encoding="utf-8")
    assert 'extends = "vetch"' in text
    assert len(text.splitlines()) < 12
    amp = load_amp(path)
    assert amp.parts["R9"].ohms == 330.0
    assert "R13" not in amp.parts


def test_a_line_taken_out_cannot_be_said_by_extending_so_all_is_stated(form: AmpForm) -> None:
    form.begin("vetch")
    form.put(("R9", "tolerance"), "")
    path = form.save(short=True)
    assert path is not None
    assert "extends" not in path.read_text(encoding="utf-8")
    assert load_amp(path).parts["R9"].tolerance_percent is None


# ---- entering


def test_designators_are_the_next_free_ones_and_taken_ones_are_refused(form: AmpForm) -> None:
    assert [form.add("resistor"), form.add("resistor"), form.add("potentiometer"), form.add("capacitor")] == [
        "R1", "R2", "R3", "C1",
    ]  # fmt: skip
    form.select("R2")
    form.rename("R1")
    assert "R1 already exists" in form.complaint.value
    assert list(form.draft.parts) == ["R1", "R2", "R3", "C1"]
    form.rename("R31")
    assert (form.part, form.add("resistor")) == ("R31", "R32")


def test_no_such_kind_or_stage_lists_near_ones(form: AmpForm) -> None:
    with pytest.raises(ChangeError, match="resistor"):
        form.add("resistors")
    with pytest.raises(ChangeError, match="input-jack"):
        form.stage("input-jacks")
    with pytest.raises(ChangeError, match="signal_out"):
        form.stage("input-jack", {"signal_ot": "x"})
    assert not form.draft.parts


def test_the_boxes_of_a_tube_are_the_electrodes_it_has(form: AmpForm) -> None:
    for tube_type, keys in (("0A2", ["plate", "cathode"]), ("2A3", ["plate", "grid", "heater", "heater"])):
        name = form.add("tube, or tube rectifier")
        form.put((name, "type"), tube_type)
        boxes = [one.key for one in entries(name, form.draft.parts[name]) if one.kind == "node"]
        assert boxes == keys
        assert set(form.draft.parts[name]) == {"type", *keys}
        form.remove()


def test_half_of_a_twin_may_stay_unused(form: AmpForm) -> None:
    name = form.add("tube, or tube rectifier")
    form.put((name, "type"), "12AX7")
    form.put((name, "unused"), "b")
    assert set(form.draft.parts[name]) == {"type", "unused", "a", "heater"}
    assert not [one for one in form.draft.problems if one.part.endswith(".b") or "sections" in one.problem]
    form.put((name, "unused"), "")
    assert "b" in form.draft.parts[name]


@pytest.mark.parametrize("what", KINDS)
def test_every_kind_of_part_can_be_added_filled_in_and_taken_out(form: AmpForm, what: str) -> None:
    name = form.add(what)
    assert form.draft.kind(name) in (KINDS[what][1], "rectifier tube")
    assert form.editor.boxes
    for boxes in list(form.editor.boxes):
        for path in boxes.entries:
            form.put(path, "no such thing")  # nothing is refused
    assert "no such thing" in form.draft.text()
    form.remove()
    assert not form.draft.parts


def test_words_that_cannot_be_used_stay_in_their_box_with_the_complaint_beside(form: AmpForm) -> None:
    name = form.add("resistor")
    box = next(box for path, box in form.editor.boxes[0].inputs.items() if path == (name, "value"))
    box.value = "4X7"
    assert form.draft.get((name, "value")) == "4X7"
    assert box.value == "4X7"
    assert "4X7" in form.editor.findings.value
    assert "tubekit-wrong" in box._dom_classes
    assert any(
        "✗" in button.description and "4X7" in button.description for button in form.list.rows.children
    )
    box.value = "4K7"
    assert "tubekit-wrong" not in box._dom_classes


def test_a_type_that_is_not_known_offers_those_near_it_and_names_the_pins(form: AmpForm) -> None:
    name = form.add("tube, or tube rectifier")
    form.put((name, "type"), "12AX8")
    offered = {button.description: button for button in form.editor.near.children}
    offered["12AX8 → 12AX7"].click()
    assert form.draft.get((name, "type")) == "12AX7"
    assert form.draft.get((name, "b", "plate")) == "p1b"
    labels = [entry.label for entry in form.editor.boxes[0].entries.values()]
    assert "plate a (1)" in labels  # base of the type: data/tubes/12AX7.toml
    assert "cathode b (8)" in labels


def test_a_misspelt_node_offers_the_name_that_was_meant(form: AmpForm) -> None:
    form.begin("vetch")
    form.put(("C2", "nodes", 0), "pla")
    form.select("C2")
    meant = next(one for one in form.editor.near.children if one.description == "pla → p1a")
    meant.click()
    assert form.amp is not None
    assert form.draft.get(("C2", "nodes")) == ["p1a", "volume_in"]


def test_a_node_may_stay_open_on_purpose_and_is_forgotten_with_its_part(form: AmpForm) -> None:
    form.begin("vetch")
    form.put(("T2", "secondary", "nodes", 2), "tap_8")
    form.put(("T2", "secondary", "turns", 1), 0.41)
    form.put(("T2", "secondary", "resistance", 1), "0.2")
    form.select("T2")
    assert form.amp is None
    next(one for one in form.editor.near.children if one.description == "tap_8 unused").click()
    assert form.amp is not None
    assert form.amp.left_open == ("tap_8",)
    form.remove()
    assert "left_open" not in form.draft.heading
    assert "left_open" not in form.draft.text()


def test_new_parts_take_the_tolerance_of_the_last_and_nothing_that_is_judged(form: AmpForm) -> None:
    first = form.add("resistor")
    for path, value in (
        ((first, "rating"), "0.5 W"),
        ((first, "tolerance"), "5 %"),
        ((first, "value"), "1M"),
    ):
        form.put(path, value)
    second = form.add("resistor")
    assert form.draft.parts[second] == {"tolerance": "5 %"}
    assert f"copied from {first}" in form.editor.findings.value


def test_another_like_it_has_all_but_its_places(form: AmpForm) -> None:
    speaker = form.add("loudspeaker")
    for key, value in (("ohms", "8"), ("resistance", "6.6"), ("rating", "20 W"), ("role", "upper")):
        form.put((speaker, key), value)
    second = form.another()
    more = form.draft.parts[second]
    assert {key: more[key] for key in ("ohms", "resistance", "rating")} == {
        "ohms": "8", "resistance": "6.6", "rating": "20 W"
    }  # fmt: skip
    assert not {"nodes", "role"} & set(more)


def test_turns_come_from_impedances(form: AmpForm) -> None:
    """Z1 / Z2 = (n1 / n2)^2, any transformer textbook (from memory): 8 k to 8 ohms is 31.62 to 1."""
    form.begin("teasel")
    form.select("T2")
    rows = form.editor.place.children
    pair = next(row for row in rows if any(getattr(one, "description", "") == "primary" for one in deep(row)))
    box = {one.description: one for one in deep(pair) if getattr(one, "description", "")}
    box["primary"].value, box["speaker"].value = "8k", "8"
    box["Calculate turns"].click()
    assert_allclose(sum(form.draft.get(("T2", "primary", "turns"))), 31.62, rtol=1e-3)
    box["primary"].value = "8 volts"
    turns = form.draft.get(("T2", "primary", "turns"))
    box["Calculate turns"].click()
    assert form.draft.get(("T2", "primary", "turns")) == turns


def deep(box: object) -> list:
    inner = getattr(box, "children", ())
    return [*inner, *(one for child in inner for one in deep(child))]


def test_taps_and_windings_come_and_go(form: AmpForm) -> None:
    name = form.add("power transformer")
    form.editor.windings.winding = "heater"
    form.show()
    before = form.draft.parts[name]
    buttons = {one.description: one for one in deep(form.editor.place) if hasattr(one, "click")}
    buttons["Add tap"].click()
    assert len(form.draft.get((name, "heater", "nodes"))) == 3
    buttons = {one.description: one for one in deep(form.editor.place) if hasattr(one, "click")}
    buttons["Remove tap"].click()
    assert form.draft.parts[name] == before
    form.editor.windings.wind("bias winding")
    assert "bias_winding" in form.draft.parts[name]
    form.undo()
    assert form.draft.parts[name] == before


# ---- undo, drafts, files


def test_undo_and_redo_walk_through_everything(form: AmpForm) -> None:
    seen = [form.draft.text()]
    form.stage("input-jack")
    seen.append(form.draft.text())
    form.add("resistor")
    seen.append(form.draft.text())
    form.put(("R3", "value"), "nonsense")
    seen.append(form.draft.text())
    form.begin("vetch")
    for text in reversed(seen):
        form.undo()
        assert form.draft.text() == text
    for text in seen[1:]:
        form.redo()
        assert form.draft.text() == text
    form.reset()
    assert not form.draft.parts
    form.undo()
    assert form.draft.text() == seen[-1]


def test_what_was_entered_outlives_a_closed_notebook(form: AmpForm, tmp_path: Path) -> None:
    form.stage("input-jack")
    form.put(("R1", "value"), "1 Mäuse")
    later = AmpForm(folder=tmp_path)
    assert later.go_on_button.layout.display == ""
    later.add("resistor")  # what was kept is read before anything is written over it
    later.go_on()
    assert later.draft.tables == form.draft.tables
    assert AmpForm(folder=tmp_path / "elsewhere", keep=False).go_on_button.layout.display == "none"


def test_a_damaged_kept_file_is_told_and_nothing_is_lost(form: AmpForm, tmp_path: Path) -> None:
    (tmp_path / "unfinished-amp.draft").write_text("[R1\nvalue", encoding="utf-8")
    later = AmpForm(folder=tmp_path)
    later.stage("input-jack")
    later.go_on()
    assert "cannot be read" in later.complaint.value
    assert "J1" in later.draft.parts


def test_files_are_never_written_over_and_unfinished_ones_open_again(form: AmpForm, tmp_path: Path) -> None:
    form.put(("amp", "title"), "Shop amp")
    form.stage("supply-tube-rectifier")
    form.put(("R1", "value"), "22O k")
    first, second = form.save(), form.save()
    assert first is not None
    assert second is not None
    assert (first.name, second.name) == ("shop-amp-unfinished.toml", "shop-amp-unfinished-2.toml")
    other = AmpForm(folder=tmp_path, keep=False)
    other.begin(first)
    assert other.draft.get(("R1", "value")) == "22O k"
    assert other.amp is None


def test_a_file_that_is_no_toml_leaves_what_was_entered(form: AmpForm, tmp_path: Path) -> None:
    form.stage("input-jack")
    (tmp_path / "broken.toml").write_text("[amp\n", encoding="utf-8")
    form.start.options = [("broken", str(tmp_path / "broken.toml"))]
    form._begin()
    assert "Your entries are unchanged" in form.complaint.value
    assert "J1" in form.draft.parts


def test_solving_says_what_is_missing_and_grays_what_is_old(form: AmpForm) -> None:
    form.stage("supply-tube-rectifier")
    assert form.solve() is None
    assert "cannot be solved yet" in form.complaint.value
    form.begin("vetch")
    report = form.solve()
    assert report is not None
    assert_allclose(report.node("B1").dc_v, analyze(load_amp("vetch")).node("B1").dc_v, rtol=1e-9)
    assert "B+ at idle" in form.answer.value
    form.put(("R9", "value"), "330")
    assert "tubekit-gray" in form.answer._dom_classes
    form.solve()
    assert "tubekit-gray" not in form.answer._dom_classes


# ---- what is said


def test_what_is_not_there_yet_is_no_complaint() -> None:
    draft = Draft.empty("x").added("R", {})
    assert {one.grade for one in complaints(draft.complaints["R1"])} == {BLANK}
    assert in_short(complaints(draft.complaints["R1"])) == "to fill in: connections, value"
    loose = draft.put(("R1", "value"), "1k").put(("R1", "nodes", 0), "a").put(("R1", "nodes", 1), "ground")
    assert [one.grade for one in complaints(loose.complaints["R1"])] == [OPEN]
    wrong = loose.put(("R1", "value"), "1 F")
    assert complaints(wrong.complaints["R1"])[0].grade == WRONG


def half_entered() -> list[Draft]:
    """Drafts with something of each grade: blanks, slips, loose ends, no supply, no path, no ground."""
    slips = Draft.empty("x")
    for letter, kind in KINDS.values():
        slips = slips.added(letter, suggest.new_part(slips, kind, letter))
    blank = slips
    for name, table in slips.parts.items():
        for entry in entries(name, table):
            slips = slips.put((name, *entry.path), "§")
    cut = [Draft.begun("vetch").without(name) for name in ("P1", "V1", "R1", "T1", "CR1", "F1", "S1")]
    halves = Draft.begun("teasel")
    halves = Draft({**halves.tables, "V1": {k: v for k, v in halves.tables["V1"].items() if k != "b"}})
    return [Draft.empty("x"), blank, slips, halves, *cut]


def test_the_form_sorts_by_codes_whatever_the_words(reworded: Callable[[], None]) -> None:
    def sorted_in() -> list[tuple]:
        return [
            (
                part,
                *sorted((c.grade, c.key, c.section, c.word, c.near, c.is_loose) for c in complaints(found)),
            )
            for draft in half_entered()
            for part, found in sorted(draft.complaints.items())
        ]

    as_worded = sorted_in()
    assert {row[0] for rows in as_worded for row in rows[1:]} == {WRONG, OPEN, BLANK}
    reworded()
    assert sorted_in() == as_worded
    assert "zzz" in str(complaints(half_entered()[2].complaints["R1"])[0])


def test_the_list_can_show_only_what_is_to_do(form: AmpForm) -> None:
    form.begin("vetch")
    form.put(("R9", "value"), "27O")
    form.list.filter.value = TO_DO
    assert form.list.names == ("R9",)
    form.put(("R9", "value"), "270")
    assert form.list.names == ()


def test_no_code_words_in_what_a_person_reads() -> None:
    """A slip in every box of every kind: the words name no file syntax."""
    draft = Draft.empty("x")
    for letter, kind in KINDS.values():
        draft = draft.added(letter, suggest.new_part(draft, kind, letter))
    for name, table in draft.parts.items():
        for entry in entries(name, table):
            draft = draft.put((name, *entry.path), "§")
    said = " ".join(str(one) for problems in draft.complaints.values() for one in complaints(problems))
    for code in ("Write a line", "= {", "Add value", "tube_types()", "[R", "[T", "[amp]"):
        assert code not in said


@pytest.mark.parametrize("seed", range(6))
def test_whatever_is_pressed_in_whatever_order_the_form_goes_on(form: AmpForm, seed: int) -> None:
    """Seeded hands: everything stays undoable, and the text can always be read back."""
    hand = random.Random(seed)
    words = ["", "4K7", "§", "ground", "B1", "12AX7", "5Y3GT", "true", "1,5", "'\"\\", "-3", "ein Wort"]
    for _ in range(60):
        move = hand.choice(
            ["add", "put", "put", "put", "stage", "remove", "undo", "redo", "select", "another"]
        )
        if move == "add":
            form.add(hand.choice(list(KINDS)))
        elif move == "stage":
            form.stage(hand.choice(suggest.stages()).name)
        elif move == "select" and form.draft.parts:
            form.select(hand.choice(list(form.draft.parts)))
        elif move == "put" and form.editor.boxes:
            boxes = hand.choice(form.editor.boxes)
            if boxes.entries:
                form.put(hand.choice(list(boxes.entries)), hand.choice(words))
        elif move in ("remove", "undo", "redo", "another"):
            getattr(form, move)()
    if form.draft.parts:
        assert Draft.of_text(form.draft.text()).tables == form.draft.tables
    while form.history.can_undo:
        form.undo()
    assert not form.draft.parts

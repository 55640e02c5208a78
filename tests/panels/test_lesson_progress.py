"""What learners have answered: kept, merged, never lost, and never in the way."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tubekit.lessons import FILE, LESSONS, Store, store as kept_in
from tubekit.lessons.store import FORMAT
from tubekit.panels import LessonPage, lesson, my_progress


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / FILE


def test_answers_are_kept_and_found_again(file: Path) -> None:
    page = lesson(1, progress=file)
    page.predict({"current": "1 mA"})
    page.other_numbers()
    page.hint()
    page.predict({"current": page.question.work().value["current"]})
    again = Store(file).of("01")["cathode_current"]
    assert (again.tries, again.right, again.hints) == (2, 1, 1)
    told = json.loads(file.read_text(encoding="utf-8"))
    assert told["format"] == FORMAT
    assert "current" not in json.dumps(told["lessons"]["01"]["cathode_current"]).replace(
        "cathode_current", ""
    )


def test_a_lesson_opens_at_the_first_open_question_with_numbers_not_seen(file: Path) -> None:
    page = lesson(1, progress=file)
    page.predict({"current": page.question.work().value["current"]})
    page.go(1)
    page.predict({"heat": "1 W"})
    again = lesson(1, progress=file)
    assert again.place == 1
    assert again.variant == 1
    assert again.steps[0].description.endswith("✓")
    assert again.steps[1].description.endswith("·")
    assert again.steps[1].tooltip == "Question 2: tried"
    again.predict({"heat": "1 W"})
    again.reset()
    assert (again.place, again.variant, again.result) == (1, 1, None)
    assert Store(file).of("01")["plate_heat"].tries == 2


def test_it_is_kept_beside_the_lesson_when_nothing_is_said(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert list(tmp_path.iterdir()) == []
    page = lesson(1)
    assert list(tmp_path.iterdir()) == [], "nothing is written by looking"
    page.predict({"current": 0.08})
    assert (tmp_path / FILE).exists()
    assert my_progress().rows[0].tries == 1


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"{",
        b"\xff\xfe\x00",
        b"[]",
        b'{"format": 1}',
        b'{"format": 1, "lessons": {"01": {"q": {"tries": -1, "right": 0, "hints": 0, "last": ""}}}}',
        b'{"format": 1, "lessons": {"01": {"q": {"tries": 1, "right": 2, "hints": 0, "last": ""}}}}',
        b'{"format": 1, "lessons": {"01": {"q": {"tries": "many", "right": 0, "hints": 0, "last": ""}}}}',
        b'{"format": 1, "lessons": {"01": {"q": {"tries": 1, "right": 1, "hints": 0, "last": "", "x": 1}}}}',
        b'{"format": 1, "lessons": 7}',
        b"[" * 200_000,
    ],
)
def test_a_damaged_file_is_put_aside_and_said_so(file: Path, damage: bytes) -> None:
    file.write_bytes(damage)
    page = lesson(1, progress=file)
    aside = file.with_name("my-progress-damaged-1.json")
    assert aside.read_bytes() == damage
    assert aside.name in page.notice.value
    page.predict({"current": 0.08})
    assert Store(file).of("01")["cathode_current"].tries == 1
    assert aside.name in page.notice.value, "it is said until the lesson is closed"


def test_a_second_damage_does_not_write_over_the_first(file: Path) -> None:
    for damage in (b"one", b"two"):
        file.write_bytes(damage)
        Store(file)
    kept = [file.with_name(f"my-progress-damaged-{k}.json").read_bytes() for k in (1, 2)]
    assert kept == [b"one", b"two"]


def test_damage_while_a_lesson_is_open_loses_only_what_was_damaged(file: Path) -> None:
    page = lesson(1, progress=file)
    page.predict({"current": 0.08})
    file.write_bytes(b"not ours")
    page.go(2)
    page.predict("both")
    assert file.with_name("my-progress-damaged-1.json").read_bytes() == b"not ours"
    assert Store(file).of("01")["one_ohm"].right == 1


def test_a_file_of_a_newer_tubekit_is_left_alone(file: Path) -> None:
    newer = json.dumps({"format": FORMAT + 1, "pupils": []}).encode()
    file.write_bytes(newer)
    page = lesson(1, progress=file)
    page.predict({"current": 0.08})
    assert file.read_bytes() == newer
    assert "newer tubekit" in page.notice.value
    assert page.steps[0].description.endswith("✓")


def test_where_nothing_can_be_written_it_is_said_and_the_lesson_goes_on(tmp_path: Path) -> None:
    wall = tmp_path / "a file, not a folder"
    wall.write_text("")
    page = lesson(1, progress=wall / FILE)
    page.predict({"current": 0.08})
    assert "cannot be" in page.notice.value
    assert page.steps[0].description.endswith("✓")
    page.go(2)
    page.predict("both")
    assert page.steps[2].description.endswith("✓")
    assert wall.read_text() == ""


def test_what_could_not_be_written_is_written_with_the_next_answer(file: Path, monkeypatch) -> None:
    page = lesson(1, progress=file)

    def full(*_args: object, **_rest: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as while_full:
        while_full.setattr(kept_in, "write_whole", full)
        page.predict({"current": 0.08})
        assert "no space left" in page.notice.value
        assert not file.exists()
    page.go(2)
    page.predict("both")
    assert page.notice.value == ""
    assert set(Store(file).of("01")) == {"cathode_current", "one_ohm"}
    assert Store(file).of("01")["cathode_current"].tries == 1


def test_a_stop_in_the_middle_of_writing_leaves_the_old_file(file: Path, monkeypatch) -> None:
    Store(file).note("01", "cathode_current", right=True)
    before = file.read_bytes()

    def killed(*_args: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as while_killed:
        while_killed.setattr("os.fsync", killed)
        with pytest.raises(KeyboardInterrupt):
            Store(file).note("01", "plate_heat", right=True)
    assert file.read_bytes() == before


def test_two_open_lessons_lose_nothing(file: Path) -> None:
    one, two = (LessonPage(LESSONS[number], Store(file)) for number in ("01", "01"))
    one.predict({"current": 0.08})
    two.go(2)
    two.predict("both")
    two.go(0)
    two.predict({"current": 0.08})
    assert Store(file).of("01")["cathode_current"].tries == 2
    assert Store(file).of("01")["one_ohm"].tries == 1
    progress = my_progress(file)
    one.go(2)
    one.predict("plate")
    assert progress.rows[0].tries == 3
    progress.again.click()
    assert progress.rows[0].tries == 4


def test_many_writers_at_once_lose_nothing(file: Path) -> None:
    stores = [Store(file) for _ in range(6)]

    def answer(place: int) -> None:
        for _ in range(20):
            stores[place].note("01", f"question {place % 3}", right=bool(place % 2))

    threads = [threading.Thread(target=answer, args=(place,)) for place in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    kept = Store(file).of("01")
    assert [kept[f"question {k}"].tries for k in range(3)] == [40, 40, 40]
    assert sum(each.right for each in kept.values()) == 60
    assert not [path for path in file.parent.iterdir() if path.suffix == ".part"]


def test_two_programs_at_once_lose_nothing(file: Path, root: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from tubekit.lessons.store import Store\n"
        "store = Store(Path(sys.argv[1]))\n"
        "for _ in range(15): store.note('02', 'idle', right=True)\n"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", program, str(file)], cwd=root, stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    assert [each.communicate()[1] for each in running] == [b"", b""]
    assert Store(file).of("02")["idle"].right == 30


def test_my_progress_counts_every_question_and_attempt(file: Path) -> None:
    page = my_progress(file)
    assert [row.number for row in page.rows] == sorted([*LESSONS, "10"])
    assert {row.number: row.questions for row in page.rows} == {n: len(e) for n, e in LESSONS.items()} | {
        "10": 5
    }
    hunt = lesson(10, progress=file)
    hunt.take(0)
    hunt.name(hunt.case.hidden)
    page.look()
    assert page.rows[9].right == 1
    total = 5 + sum(len(each) for each in LESSONS.values())
    assert f"1 of {total} questions answered, 1 right" in page.told.value


def test_continue_goes_to_the_first_lesson_that_is_not_finished(file: Path, root: Path, monkeypatch) -> None:
    """An attempt counts: a lesson is finished when each question was answered, right or wrong."""
    monkeypatch.chdir(root / "notebooks" / "lessons")
    page = my_progress(file)
    assert 'href="01-idle-current.ipynb"' in page.told.value
    assert "Continue: lesson 1" in page.told.value
    store = Store(file)
    for name in LESSONS["01"].names:
        store.note("01", name, right=False)
    page.look()
    assert page.rows[0].finished
    assert page.following == page.rows[1]
    assert "Continue: lesson 2" in page.told.value
    assert page.told.value.count("<li") == len(page.rows), "one list"
    for number, names in [(n, e.names) for n, e in LESSONS.items()] + [
        ("10", [f"case{k}" for k in range(1, 6)])
    ]:
        for name in names:
            store.note(number, name, right=number != "03")
    page.look()
    assert page.following.number == "03", "then what was not right"

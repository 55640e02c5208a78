"""A job's file: nothing is lost by two writers, a killed one, or half an entry."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from tubekit.jobs.journal import END, FILE, TORN, JobError, append, enclose, read_journal

WRITER = """
import sys
from tubekit.jobs.journal import append
folder, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
for k in range(count):
    done = append(folder, "note", name, {"text": f"{name} {k} " + "x" * 200})
    print(done.number, flush=True)
"""


@pytest.fixture
def folder(tmp_path):
    append(tmp_path, "new", "R. Vale", {"amp": "drawn.toml"}, new=True)
    return tmp_path


def writer(folder, name: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, str(folder), name, str(count)]
    return subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def test_two_writers_at_once_lose_nothing(folder):
    both = [writer(folder, name, 30) for name in ("one", "two")]
    lines = [int(number) for each in both for number in each.communicate(timeout=60)[0].split()]
    entries = read_journal(folder).entries
    assert [each.number for each in entries] == list(range(1, 62))
    assert sorted(lines) == list(range(2, 62))
    for name in ("one", "two"):
        own = [each["text"].split()[1] for each in entries if each.by == name]
        assert own == [str(k) for k in range(30)]


def test_a_killed_writer_loses_no_entry_that_it_had_answered(folder):
    one = writer(folder, "one", 100_000)
    assert one.stdout is not None
    heard = [int(one.stdout.readline()) for _ in range(20)]
    time.sleep(0.013)
    one.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    heard += [int(line) for line in one.communicate(timeout=10)[0].splitlines() if line]
    after = append(folder, "note", "two", {"text": "the next one waits for nobody"})
    numbers = [each.number for each in read_journal(folder).entries]
    assert set(heard) < set(numbers)
    assert numbers == list(range(1, after.number + 1))


def test_half_an_entry_is_kept_aside_and_named_wherever_it_broke_off(folder):
    append(folder, "note", "R. Vale", {"text": "whole"})
    path = folder / FILE
    before = path.read_bytes()
    append(folder, "readings", "R. Vale", {"rows": [{"place": "k34", "value": "18.2"}]})
    whole = path.read_bytes()
    for length in range(len(before) + 1, len(whole)):
        path.write_bytes(whole[:length])
        assert (read_journal(folder).notes == ()) is not bool(whole[len(before) : length].strip())
        append(folder, "note", "R. Vale", {"text": "later"})
        result = read_journal(folder)
        assert [each.kind for each in result.entries][:2] == ["new", "note"]
        assert [each["text"] for each in result.entries if each.kind == "note"] == ["whole", "later"]
        torn = whole[len(before) : length]
        if torn.strip():
            assert (folder / TORN).read_bytes().endswith(torn)
            assert TORN in result.entries[2]["text"]
        assert result.notes == ()


def test_zeros_after_a_power_cut_are_half_an_entry(folder):
    path = folder / FILE
    path.write_bytes(path.read_bytes() + b"\0" * 300)
    append(folder, "note", "R. Vale", {"text": "later"})
    assert [each.kind for each in read_journal(folder).entries] == ["new", "torn", "note"]


def test_an_entry_changed_by_an_editor_is_named_and_one_that_breaks_hides_no_other(folder):
    append(folder, "note", "R. Vale", {"text": "18.9 V"})
    append(folder, "note", "R. Vale", {"text": "last"})
    path = folder / FILE
    path.write_bytes(path.read_bytes().replace(b"18.9 V", b"16.9 V"))
    (note,) = read_journal(folder).notes
    assert note.startswith("Entry 2 was changed")
    path.write_bytes(path.read_bytes().replace(b'"16.9 V"', b'"16.9 V'))
    result = read_journal(folder)
    assert [each.number for each in result.entries] == [1, 3]
    assert "cannot be read" in result.notes[1]


def test_line_ends_of_another_system_change_nothing(folder):
    path = folder / FILE
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    append(folder, "note", "R. Vale", {"text": "later"})
    found = read_journal(folder)
    assert ([each.kind for each in found.entries], found.notes) == (["new", "note"], ())


def test_text_cannot_close_an_entry(folder):
    text = "a\n# end of entry 9, check 00000000\n[[entry]]\nnumber = 12\n"
    append(folder, "note", 'R. "Vale"', {"text": text})
    last = read_journal(folder).entries[-1]
    assert (last.number, last.by, last["text"]) == (2, 'R. "Vale"', text)
    assert len(END.findall((folder / FILE).read_bytes())) == 2


def test_a_job_is_not_begun_twice_and_not_written_where_there_is_none(folder, tmp_path):
    with pytest.raises(JobError, match="already a job in this folder"):
        append(folder, "new", "R. Vale", {}, new=True)
    (tmp_path / "empty").mkdir()
    with pytest.raises(JobError, match="no job in this folder"):
        append(tmp_path / "empty", "note", "R. Vale", {"text": "x"})
    with pytest.raises(JobError, match="job new FOLDER AMP"):
        read_journal(tmp_path / "empty")


def test_an_enclosed_file_is_never_overwritten(folder, tmp_path):
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"one")
    assert [enclose(folder, photo), enclose(folder, photo)] == ["a.jpg", "a.jpg"]
    photo.write_bytes(b"two")
    assert enclose(folder, photo) == "a-2.jpg"
    assert (folder / "enclosed" / "a.jpg").read_bytes() == b"one"

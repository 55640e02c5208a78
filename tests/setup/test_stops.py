"""One set-up at a time, and what happens when it is stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.setup.fakes import FakeTools, installer, posix
from tubekit import __main__ as start
from tubekit.setup import bootstrap, guard, process
from tubekit.setup.checkout import Checkout
from tubekit.setup.install import Installer


def test_a_second_set_up_waits_for_the_first(tmp_path: Path, root: Path) -> None:
    lock, text = tmp_path / "lock", []
    program = (
        "import sys\nfrom pathlib import Path\nfrom tubekit.setup.guard import only_one\n"
        "with only_one(Path(sys.argv[1]), print):\n    print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", program, str(lock)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    )
    assert holder.stdout.readline() == "held\n"

    def say(words: str) -> None:
        text.append(words)
        assert holder.poll() is None
        holder.stdin.close()

    with guard.only_one(lock, say, pause=0.01):
        assert holder.wait(10) == 0
    assert text == ["another set-up is running in this checkout; waiting for it"]
    holder.stdout.close()


def test_what_another_run_has_set_up_is_not_done_again(place: Checkout, monkeypatch) -> None:
    tools = FakeTools(place)

    class Waited:
        def __init__(self, path, say): ...
        def __enter__(self):
            installer(FakeTools(place)).install([])  # the other run, while this one waits

        def __exit__(self, *_): ...

    monkeypatch.setattr(bootstrap, "only_one", Waited)
    monkeypatch.setattr(bootstrap, "_inside", lambda venv: True)
    bootstrap.ensure(["swap"], checkout=place, installer=installer(tools), environ={})
    assert tools.calls == []


@posix
def test_a_stop_ends_what_was_started_children_and_all(tmp_path: Path) -> None:
    note = tmp_path / "pid"
    child = f"import os, time; open({str(note)!r}, 'w').write(str(os.getpid())); time.sleep(60)"
    parent = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {child!r}])"

    def stop(*_) -> None:
        if note.exists() and note.read_text():  # once the grandchild is up
            raise KeyboardInterrupt

    before = signal.signal(signal.SIGALRM, stop)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.05, 0.05)
        with pytest.raises(KeyboardInterrupt):
            process.run([sys.executable, "-c", parent], cwd=tmp_path, env=os.environ)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
    pid = int(note.read_text())
    for _ in range(200):
        if not alive(pid):
            break
        time.sleep(0.02)
    assert not alive(pid)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
        state = Path(f"/proc/{pid}/stat")
        return not (state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z")
    except ProcessLookupError:
        return False


@pytest.mark.parametrize("when", ["in set-up", "later"])
def test_ctrl_c_exits_130_without_a_traceback(when: str, monkeypatch, capsys, place: Checkout) -> None:
    def stopped(*_, **__):
        raise KeyboardInterrupt

    if when == "in set-up":
        monkeypatch.setattr(bootstrap, "find_checkout", lambda: place)
        monkeypatch.setattr(Installer, "install", stopped)
        monkeypatch.delenv(bootstrap.SKIP, raising=False)
    else:
        monkeypatch.setattr(start, "_set_up_and_do", stopped)
    assert start.run(["swap"]) == 130
    text = capsys.readouterr().err
    assert "stopped" in text
    assert ("the same command to continue" in text) == (when == "in set-up")
    assert "Traceback" not in text

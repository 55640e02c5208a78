"""``lab`` and ``test``: the programs they start."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.setup.fakes import posix
from tubekit.errors import InputError
from tubekit.setup import lab, process, run_tests
from tubekit.setup.checkout import find_checkout


def test_lab_opens_the_first_notebook(tmp_path: Path) -> None:
    for name in ("02-later.ipynb", "01-first.ipynb"):
        (tmp_path / name).touch()
    command = lab.command(tmp_path, ["--no-browser"])
    assert command[:3] == [sys.executable, "-m", "jupyterlab"]
    assert "--LabApp.default_url=/doc/tree/01-first.ipynb" in command
    assert f"--ServerApp.root_dir={tmp_path}" in command
    assert command[-1] == "--no-browser"


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no root user here")
@pytest.mark.parametrize("user", [0, 1000])
def test_lab_lets_root_in_only_where_there_is_root(tmp_path: Path, user: int, monkeypatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: user)
    assert ("--allow-root" in lab.command(tmp_path, [])) == (user == 0)


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """A checkout's package; its environment is `.venv` beside it."""
    (tmp_path / "pyproject.toml").write_text('name = "tubekit"\n')
    (tmp_path / "tubekit").mkdir()
    return tmp_path / "tubekit"


NEWS = "@jupyterlab/apputils-extension:notification"


def overrides(prefix: Path) -> Path:
    return prefix / "share" / "jupyter" / "lab" / "settings" / "overrides.json"


def test_no_question_about_news_in_the_checkouts_own_environment(own: Path) -> None:
    venv = own.parent / ".venv"
    lab.settle(venv, own)
    text = json.loads(overrides(venv).read_text())
    assert text[NEWS] == {"fetchNews": "false", "checkForUpdates": False}
    written = overrides(venv).stat().st_mtime_ns
    lab.settle(venv, own)
    assert overrides(venv).stat().st_mtime_ns == written  # nothing to do, nothing written


def test_jupyterlab_has_the_settings_that_are_made() -> None:
    pytest.importorskip("jupyterlab")
    from jupyterlab.commands import get_app_dir

    for key, values in lab.SETTINGS.items():
        extension, _, plugin = key.partition(":")
        schema = json.loads((Path(get_app_dir()) / "schemas" / extension / f"{plugin}.json").read_text())
        assert set(values) <= set(schema["properties"])


def test_no_other_environment_is_touched(own: Path, tmp_path: Path) -> None:
    lab.settle(tmp_path / "other", own)
    lab.settle(tmp_path / "lib", tmp_path / "lib" / "tubekit")  # no checkout around it
    assert not (tmp_path / "other").exists()
    assert not (tmp_path / "lib").exists()


def test_settings_that_stand_there_are_kept(own: Path) -> None:
    file = overrides(own.parent / ".venv")
    file.parent.mkdir(parents=True)
    file.write_text(json.dumps({NEWS: {"fetchNews": "true"}, "other": {"a": 1}}))
    lab.settle(own.parent / ".venv", own)
    text = json.loads(file.read_text())
    assert text == {NEWS: {"fetchNews": "true", "checkForUpdates": False}, "other": {"a": 1}}


@pytest.mark.parametrize("damaged", ["{", '["a list"]'])
def test_a_damaged_settings_file_is_left_alone(own: Path, damaged: str, capsys) -> None:
    file = overrides(own.parent / ".venv")
    file.parent.mkdir(parents=True)
    file.write_text(damaged)
    lab.settle(own.parent / ".venv", own)
    assert file.read_text() == damaged
    assert "left as it is" in capsys.readouterr().err


def test_an_installed_tubekit_copies_its_notebooks_once(tmp_path: Path) -> None:
    package, here = tmp_path / "lib" / "tubekit", tmp_path / "bench"
    (package / "notebooks").mkdir(parents=True)
    here.mkdir()
    (package / "notebooks" / "a.ipynb").write_text("theirs")
    copy = lab.notebooks(package, here)
    assert copy == here / "tubekit-notebooks"
    (copy / "a.ipynb").write_text("mine")
    assert lab.notebooks(package, here) == copy
    assert (copy / "a.ipynb").read_text() == "mine"


def test_missing_notebooks_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"tubekit.notebooks: the notebooks are missing"):
        lab.notebooks(tmp_path / "tubekit", tmp_path)


def test_lab_says_how_to_get_jupyterlab(monkeypatch) -> None:
    monkeypatch.setattr(lab.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"JupyterLab is not installed.*tubekit\[lab\]"):
        lab.start()


@pytest.mark.parametrize(("cores", "workers"), [(1, []), (2, ["-n", "3"]), (64, ["-n", "4"])])
def test_tests_are_spread_over_the_cores_and_the_users_arguments_win(cores, workers) -> None:
    command = run_tests.command(["-x", "-n0"], cores)
    assert command[1:3] == ["-m", "pytest"]
    assert command[3 : 3 + len(workers)] == workers
    assert command[-4:] == ["-m", "not slow", "-x", "-n0"]


@pytest.mark.parametrize("arguments", [["--all"], ["-m", "slow"], ["tests/setup/test_commands.py::test_it"]])
def test_slow_tests_run_where_they_are_asked_for(arguments: list[str]) -> None:
    rest = run_tests.command(arguments, cores=1)[3:]
    assert "not slow" not in rest
    assert rest == [each for each in arguments if each != "--all"]


def test_browser_and_notebook_tests_are_slow_and_nothing_is_lost() -> None:
    """Collected for real: quick and slow together are all there is."""

    def collected(*words: str) -> set[str]:
        command = [sys.executable, "-m", "pytest", "-n0", "-q", "--co", "-p", "no:cacheprovider", *words]
        files = ("browser/test_offline.py", "setup/test_stops.py", "../notebooks/00-start-here.ipynb")
        places = [f"tests/{each}" for each in files]
        done = subprocess.run([*command, *places], cwd=find_checkout().root, capture_output=True, text=True)
        return {line for line in done.stdout.splitlines() if "::" in line}

    slow = collected("-m", run_tests.SLOW)
    assert any(each.startswith("tests/browser") for each in slow)
    assert any(".ipynb" in each for each in slow)
    assert not any(each.startswith("tests/setup") for each in slow)
    assert collected() - slow == collected("-m", f"not {run_tests.SLOW}")


@pytest.mark.parametrize("code", [0, 1, 5])
def test_exit_codes_are_passed_on(code: int, tmp_path: Path) -> None:
    command = [sys.executable, "-c", f"raise SystemExit({code})"]
    assert process.run_in_front(command, cwd=tmp_path, env=os.environ) == code


def test_pytest_speaks_and_its_code_counts() -> None:
    """The real thing on one doctest, and on a file that is not there."""
    arguments = ["-n0", "-p", "no:cacheprovider", "tubekit/setup/bootstrap.py"]
    good = subprocess.run(
        run_tests.command(arguments),
        cwd=find_checkout().root,
        env=run_tests.environment(),
        capture_output=True,
    )
    assert good.returncode == 0
    assert b"1 passed" in good.stdout
    bad = subprocess.run(
        run_tests.command(["-n0", "tests/not_there.py"]), cwd=find_checkout().root, capture_output=True
    )
    assert bad.returncode == 4


@posix
def test_a_program_killed_by_a_signal_fails_as_shells_count(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "import os, signal; os.kill(os.getpid(), signal.SIGTERM)"]
    assert process.run_in_front(command, cwd=tmp_path, env=os.environ) == 128 + signal.SIGTERM


@posix
def test_ctrl_c_is_left_to_the_program_in_front(tmp_path: Path) -> None:
    # It gets Ctrl-C, as in a terminal both do, and ends in its own way.
    program = (
        "import os, signal, time\n"
        "os.kill(os.getppid(), signal.SIGINT)\n"
        "time.sleep(0.2)\n"  # this process must still be there, waiting
        "raise SystemExit(2)"
    )
    assert process.run_in_front([sys.executable, "-c", program], cwd=tmp_path, env=os.environ) == 130
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler

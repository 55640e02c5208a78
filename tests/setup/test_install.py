"""Making, mending and resuming a checkout's environment."""

from __future__ import annotations

import os

import pytest

from tests.setup.fakes import FakeTools, installer, posix
from tubekit.setup import install, process
from tubekit.setup.checkout import Checkout, half_installed, read_stamp, reason_to_install
from tubekit.setup.install import SetupError


def test_uv_is_used_when_there_with_pins_and_no_index(place: Checkout) -> None:
    tools = FakeTools(place)
    installer(tools).install(["lab"])
    assert tools.tools == ["uv venv", "uv pip"]
    command = tools.calls[1][1]
    assert command[command.index("--constraints") + 1] == "constraints.txt"
    assert command[-2:] == ("--editable", ".[lab]")
    assert not any("index" in word or "://" in word for _, call in tools.calls for word in call)
    assert reason_to_install(place, ["lab"]) == ""
    assert reason_to_install(place, ["lab", "test"]) == "'test' is not installed yet"


def test_without_uv_venv_and_pip_do_it(place: Checkout) -> None:
    tools = FakeTools(place)
    installer(tools, uv="").install([])
    assert tools.tools == ["venv", "pip"]
    assert reason_to_install(place, []) == ""


@pytest.mark.parametrize("fails", ["uv venv", "uv pip"])
def test_when_uv_fails_pip_takes_over_and_it_is_said(place: Checkout, fails: str, capfd) -> None:
    tools = FakeTools(place, fails)
    installer(tools).install([])
    assert tools.tools[-2:] == ["venv", "pip"]
    out, err = capfd.readouterr()
    assert "uv failed" in err
    assert out == "", "progress must not mix with a command's answer"
    assert reason_to_install(place, []) == ""


def test_no_network_says_what_failed_and_that_the_same_command_resumes(place: Checkout) -> None:
    with pytest.raises(SetupError, match=r"pip could not install.*no network.*Nothing is lost.*same command"):
        installer(FakeTools(place, "uv pip", "pip")).install([])
    assert reason_to_install(place, []) == "an earlier set-up was not finished"
    tools = FakeTools(place)
    installer(tools).install([])
    assert tools.tools == ["uv pip"], "the environment that was made is kept"
    assert reason_to_install(place, []) == ""


@pytest.mark.parametrize("missing", ["venv", "ensurepip"])
def test_a_python_without_venv_names_debians_package(place: Checkout, missing: str, monkeypatch) -> None:
    real = install.importlib.util.find_spec
    monkeypatch.setattr(
        install.importlib.util, "find_spec", lambda name: None if name == missing else real(name)
    )
    with pytest.raises(SetupError, match="apt install python3-venv"):
        installer(FakeTools(place), uv="").install([])
    with pytest.raises(SetupError, match="uv failed, and this Python has no venv"):
        installer(FakeTools(place, "uv pip")).install([])


def test_extras_installed_before_stay(ready: Checkout) -> None:
    installer(FakeTools(ready)).install(["test"])
    assert read_stamp(ready).extras == ("lab", "test")


def test_changed_pins_install_again_without_starting_over(ready: Checkout) -> None:
    (ready.root / "constraints.txt").write_text("numpy==2.0\n")
    assert "constraints.txt has changed" in reason_to_install(ready, [])
    tools = FakeTools(ready)
    installer(tools).install([])
    assert tools.tools == ["uv pip"]
    assert read_stamp(ready).extras == ("lab",)


@posix
def test_a_removed_python_is_made_anew(ready: Checkout) -> None:
    ready.python.unlink()
    ready.python.symlink_to(ready.root / "gone")
    assert "Python was changed or removed" in reason_to_install(ready, [])
    tools = FakeTools(ready)
    installer(tools).install([])
    assert tools.tools == ["uv venv", "uv pip"]
    assert reason_to_install(ready, ["lab"]) == ""


@posix
def test_a_moved_checkout_gets_a_new_environment(ready: Checkout, tmp_path_factory) -> None:
    moved = Checkout(tmp_path_factory.mktemp("elsewhere") / "kit")
    ready.root.rename(moved.root)
    assert reason_to_install(moved, []) == "the checkout was moved"
    tools = FakeTools(moved)
    installer(tools).install([])
    assert tools.tools == ["uv venv", "uv pip"]


def test_a_missing_package_is_noticed(ready: Checkout) -> None:
    (ready.packages / "numpy-1.0.dist-info").rename(ready.packages / "numpy-2.0.dist-info")
    assert reason_to_install(ready, []) == "packages are gone or changed (numpy)"


@pytest.mark.parametrize("damage", ["file", "RECORD", "INSTALLER"])
def test_a_half_installed_package_comes_again(ready: Checkout, damage: str, capfd) -> None:
    note = ready.packages / "numpy-1.0.dist-info"
    (ready.packages / "numpy.py" if damage == "file" else note / damage).unlink()
    ready.stamp.unlink()
    assert half_installed(ready.packages) == (note,)
    installer(FakeTools(ready)).install([])
    assert half_installed(ready.packages) == ()
    assert "numpy was half installed" in capfd.readouterr().err


@pytest.mark.parametrize("text", ["", "{", "[]", '{"root": 1}', '{"extras": null, "installed": []}'])
def test_a_damaged_stamp_counts_as_none(ready: Checkout, text: str) -> None:
    ready.stamp.write_text(text)
    assert read_stamp(ready) is None
    assert reason_to_install(ready, []) == "an earlier set-up was not finished"


@pytest.mark.parametrize("entries", [(), ("bin", "lib"), ("lib64", ".gitignore")])
def test_an_environment_stopped_in_its_first_moments_is_made_anew(place: Checkout, entries) -> None:
    for name in ("", *entries):
        (place.venv / name).mkdir()
    installer(FakeTools(place)).install([])
    assert reason_to_install(place, []) == ""


def test_somebody_elses_folder_is_left_alone(place: Checkout) -> None:
    place.venv.mkdir()
    (place.venv / "letters.txt").write_text("dear")
    with pytest.raises(SetupError, match=r"not a Python environment \(it contains letters.txt\)"):
        installer(FakeTools(place)).install([])
    assert (place.venv / "letters.txt").read_text() == "dear"


def test_a_file_in_the_way_is_left_alone(place: Checkout) -> None:
    place.venv.write_text("mine")
    with pytest.raises(SetupError, match="not a folder"):
        installer(FakeTools(place)).install([])
    assert place.venv.read_text() == "mine"


def test_variables_that_lead_astray_are_dropped_and_index_settings_kept(place: Checkout) -> None:
    astray = dict.fromkeys(process._ASTRAY, "elsewhere")
    kept = {
        "PIP_INDEX_URL": "mirror",
        "UV_INDEX_URL": "mirror",
        "HTTPS_PROXY": "proxy",
        "PATH": os.environ["PATH"],
    }
    tools = FakeTools(place)
    installer(tools, environ={**astray, **kept, "PIP_USER": "1"}).install([])
    assert tools.env == {**kept, "VIRTUAL_ENV": str(place.venv), "PIP_USER": "0"}


@pytest.mark.parametrize("uv", ["uv", ""])
def test_what_arrived_is_compiled_once_and_not_at_every_command(place: Checkout, uv: str) -> None:
    tools = FakeTools(place)
    installer(tools, uv).install(["lab"])
    assert tools.compiled == (str(place.python), "-m", "compileall", "-q", "tubekit")
    assert not uv or "--compile-bytecode" in tools.calls[1][1]

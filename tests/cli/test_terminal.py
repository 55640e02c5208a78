"""Terminals with few signs, a full disk, a closed output: no traceback."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from tubekit.cli.main import _print_json
from tubekit.cli.terminal import in_words, visible

FULL = Path("/dev/full")
COMMAND = [sys.executable, "-m", "tubekit"]


def run(words: list[str], encoding: str, **options: object) -> subprocess.CompletedProcess[bytes]:
    env = {**os.environ, "PYTHONIOENCODING": encoding, "TUBEKIT_NO_SETUP": "1", "PYTHONUTF8": "0"}
    env.pop("PYTHONUNBUFFERED", None)  # what is left in the buffer at exit is what is tested
    return subprocess.run([*COMMAND, *words], env=env, stderr=subprocess.PIPE, **options)  # type: ignore[call-overload]


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "latin-1", "ascii"])
def test_a_terminal_without_the_signs_gets_words(encoding: str) -> None:
    done = run(["swap", "teasel", "R14=330"], encoding, stdout=subprocess.PIPE)
    text = done.stdout.decode(encoding)
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr
    assert "R14 270 " in text
    assert "?" not in text
    assert ("ohm" in text) == ("Ω" not in text)


@pytest.mark.skipif(not FULL.exists(), reason="no full device here")
@pytest.mark.parametrize("words", [["amps"], ["swap", "--help"]])
def test_a_full_disk_is_said(words: list[str]) -> None:
    with FULL.open("w", encoding="utf-8") as full:
        done = run(words, "utf-8", stdout=full)
    assert done.returncode == 1
    assert b"could not be written" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("words", [["amps"], ["--help"], ["swap", "vetch", "R99=1k", "--json"]])
def test_a_reader_that_has_gone_ends_it_in_silence(words: list[str]) -> None:
    end, begin = os.pipe()
    os.close(end)
    done = run(words, "utf-8", stdout=begin)
    os.close(begin)
    assert done.returncode == 141
    assert b"Error" not in done.stderr


def test_a_closed_output_is_no_error() -> None:
    code = f"import os, sys; os.close(1); os.execv(sys.executable, {[*COMMAND, 'amps']!r})"
    env = {**os.environ, "TUBEKIT_NO_SETUP": "1"}
    done = subprocess.run([sys.executable, "-c", code], env=env, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (0, b"")


def test_every_sign_in_the_program_and_its_data_has_words() -> None:
    root = Path(__file__).parents[2]
    files = [*root.glob("tubekit/**/*.py"), *root.glob("data/**/*.[tc]*")]
    used = {sign for file in files for sign in file.read_text(encoding="utf-8") if not sign.isascii()}
    assert [sign for sign in used if "?" in in_words(sign) and not unicodedata.combining(sign)] == []


def test_json_stays_json_where_signs_are_lacking(monkeypatch: pytest.MonkeyPatch) -> None:
    written = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(written, "ascii"))
    _print_json({"text": "“4.7 kΩ”"})
    sys.stdout.flush()
    assert json.loads(written.getvalue()) == {"text": "“4.7 kΩ”"}


def test_a_command_to_the_terminal_is_shown_and_not_carried_out() -> None:
    assert visible("a\x1b[2J\x07b\n\u202ec") == r"a\x1b[2J\x07b" + "\n" + r"\u202ec"


def test_signs_nobody_thought_of_lose_their_accent_or_become_a_question_mark() -> None:
    assert in_words("é日") == "e?"
    assert in_words("10 Ω ± 5 %") == "10 ohm +/- 5 %"


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
@pytest.mark.parametrize(("words", "code"), [(["report", "nosuch"], 2), (["nosuch"], 2), (["amps"], 0)])
def test_the_exit_code_is_right_where_errors_cannot_be_written(words: list[str], code: int) -> None:
    with FULL.open("wb") as full:
        env = {**os.environ, "TUBEKIT_NO_SETUP": "1"}
        done = subprocess.run(
            [*COMMAND, *words], env=env, stdout=subprocess.DEVNULL, stderr=full, check=False
        )
    assert done.returncode == code

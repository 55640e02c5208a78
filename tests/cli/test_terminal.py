"""Terminals with few signs, a full disk, a closed output: no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tubekit.cli.terminal import in_words

FULL = Path("/dev/full")
COMMAND = [sys.executable, "-m", "tubekit"]


def run(words: list[str], encoding: str, **options: object) -> subprocess.CompletedProcess[bytes]:
    env = {**os.environ, "PYTHONIOENCODING": encoding, "TUBEKIT_NO_SETUP": "1", "PYTHONUTF8": "0"}
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
def test_a_full_disk_is_said() -> None:
    with FULL.open("w", encoding="utf-8") as full:
        done = run(["amps"], "utf-8", stdout=full)
    assert done.returncode == 1
    assert b"could not be written" in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_closed_output_is_no_error() -> None:
    code = f"import os, sys; os.close(1); os.execv(sys.executable, {[*COMMAND, 'amps']!r})"
    env = {**os.environ, "TUBEKIT_NO_SETUP": "1"}
    done = subprocess.run([sys.executable, "-c", code], env=env, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (0, b"")


def test_signs_nobody_thought_of_lose_their_accent_or_become_a_question_mark() -> None:
    assert in_words("é日") == "e?"
    assert in_words("10 Ω ± 5 %") == "10 ohm +/- 5 %"

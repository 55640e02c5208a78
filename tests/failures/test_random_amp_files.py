"""Whatever is written into an amp file, only an AmpFileError comes out."""

from __future__ import annotations

from pathlib import Path

from hypothesis import HealthCheck, given, settings, strategies as st

from tests.failures.amp_texts import TEASEL, message
from tubekit.amp.amp import Amp
from tubekit.amp.load import amp_from_text
from tubekit.errors import AmpFileError


def outcome(text: str) -> Amp | AmpFileError:
    """The amp of a text, or the error; any other exception fails the test."""
    try:
        return amp_from_text(text, "patient.toml")
    except AmpFileError as error:
        return error


@settings(max_examples=200)
@given(st.integers(0, len(TEASEL) - 1), st.integers(0, 40), st.text(max_size=20))
def test_random_text_gives_an_amp_or_an_amp_file_error(start: int, length: int, other: str) -> None:
    text = TEASEL[:start] + other + TEASEL[start + length :]
    result = outcome(text)
    assert isinstance(result, Amp) or str(result).startswith("patient.toml")


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=200))
def test_random_bytes_give_an_amp_file_error(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "patient.toml"
    path.write_bytes(content)
    assert message(path).startswith("patient.toml: ")

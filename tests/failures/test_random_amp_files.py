"""Whatever is written into an amp file, only an AmpFileError comes out."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings, strategies as st

from tests.failures.amp_texts import TEASEL, message
from tubekit.amp.amp import Amp
from tubekit.amp.load import amp_from_text
from tubekit.amp.write import toml_value
from tubekit.errors import AmpFileError

TABLES = tomllib.loads(TEASEL)
JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(["ground", "B1", "open", "12AX7", "6V6GT", "5Y3GT", "1k", "25u", "removed", "teasel"]),
    st.lists(st.one_of(st.floats(), st.text(max_size=5), st.sampled_from(["ground", "B1"])), max_size=4),
)


def outcome(text: str) -> Amp | AmpFileError:
    """The amp of a text, or the error; any other exception fails the test."""
    try:
        return amp_from_text(text, "patient.toml")
    except AmpFileError as error:
        return error


def places(tables: dict[str, Any], so_far: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    result = []
    for key, value in tables.items():
        result.append((*so_far, key))
        if isinstance(value, dict):
            result += places(value, (*so_far, key))
    return result


PLACES = places(TABLES)


def as_toml(tables: dict[str, Any]) -> str:
    def written(value: object) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{toml_value(key)} = {written(one)}" for key, one in value.items()) + "}"
        if isinstance(value, list):
            return f"[{', '.join(map(written, value))}]"
        return str(value) if isinstance(value, int) and not isinstance(value, bool) else toml_value(value)

    return "\n".join(f"{toml_value(key)} = {written(value)}" for key, value in tables.items())


def mutate(data: st.DataObject, tables: dict[str, Any]) -> None:
    place = data.draw(st.sampled_from(PLACES))
    table = tables
    for key in place[:-1]:
        if not isinstance(table.get(key), dict):
            return
        table = table[key]
    what = data.draw(st.sampled_from(["replace", "drop", "rename", "add"]))
    if what == "replace":
        junk = data.draw(JUNK)
        table[place[-1]] = {"x": 1} if junk is None else junk
    elif what == "drop":
        table.pop(place[-1], None)
    elif what == "rename":
        table[data.draw(st.text(max_size=6))] = table.pop(place[-1], 1)
    else:
        table[
            data.draw(st.sampled_from(["removed", "kind", "condition", "extends", "R99", "a", "screen"]))
        ] = data.draw(JUNK) or True


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_random_tables_give_an_amp_or_an_amp_file_error(data: st.DataObject) -> None:
    tables = copy.deepcopy(TABLES)
    for _ in range(data.draw(st.integers(1, 4))):
        mutate(data, tables)
    result = outcome(as_toml(tables))
    assert isinstance(result, Amp) or result.where


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

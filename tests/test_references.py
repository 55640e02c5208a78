"""Citations are whole, found by key, and never say more than is known."""

import pathlib
import re

import pytest

from tubekit import references
from tubekit.errors import TableError
from tubekit.references import SOURCES, STATUSES, Source, cite


def test_every_source_is_whole():
    assert len(SOURCES) == len(list(SOURCES)) > 10
    for key, source in SOURCES.items():
        assert isinstance(source, Source)
        assert source.key == key
        assert re.fullmatch("[a-z0-9-]+", key)
        assert source.status in STATUSES
        assert source.text.strip() == source.text


def test_memory_is_never_printed_as_read():
    remembered = [source for source in SOURCES.values() if source.status == "memory"]
    assert remembered
    assert all(cite(source.key).endswith("[from memory]") for source in remembered)
    assert cite("iec-60204-1").endswith("[second-hand]")


def test_unknown_key_lists_near_matches():
    with pytest.raises(TableError, match=r"sources\.toml: there is no source 'iec-6062'.*Near: iec-60062"):
        cite("iec-6062")
    assert "iec-6062" not in SOURCES
    assert "iec-60062" in SOURCES


def test_keys_cited_in_the_package_exist():
    package = pathlib.Path(references.__file__).parent
    used = {
        key
        for path in package.rglob("*.py")
        for key in re.findall(r'\bcite\("([^"]+)"\)', path.read_text(encoding="utf-8"))
    }
    assert "iec-60063" in used
    assert used <= set(SOURCES)


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ("[a\n", "cannot be read"),
        ('a = "text"\n', "a: needs text and status"),
        ('[a]\ntext = "x"\n', "a: needs text and status"),
        ('[a]\ntext = "x"\nstatus = "memory"\npage = 3\n', "text and status only"),
        ('[a]\ntext = "x"\nstatus = "hearsay"\n', "unknown status"),
        ('[a]\ntext = " "\nstatus = "memory"\n', "empty text"),
    ],
)
def test_a_damaged_list_is_named(tmp_path, monkeypatch, toml, words):
    path = tmp_path / "sources.toml"
    path.write_text(toml, encoding="utf-8")
    monkeypatch.setattr(references, "data_file", lambda *parts: path)
    references._read.cache_clear()
    try:
        with pytest.raises(TableError, match=words):
            len(SOURCES)
    finally:
        references._read.cache_clear()

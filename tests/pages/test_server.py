"""The pages as they are served: who gets in, what can be sent, what is said."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import logging
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import nbformat
import pytest

pytest.importorskip("voila")

from jupyter_server.base.websocket import WebSocketMixin
from tornado.web import Application
from tornado.websocket import WebSocketHandler, websocket_connect

from tubekit.errors import InputError
from tubekit.pages import limits, server
from tubekit.pages.limits import MOST_KERNELS, TRIES, to_release, without_key
from tubekit.pages.server import Wanted, caution, new_key, settings
from tubekit.setup.bootstrap import extras_for

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted((server.SHARE).rglob("*"))


def test_only_this_machine_is_served_unless_asked_for(tmp_path: Path) -> None:
    assert settings(Wanted(tmp_path)).Voila.ip == "127.0.0.1"
    assert settings(Wanted(tmp_path, lan=True)).Voila.ip == "0.0.0.0"


@pytest.mark.parametrize("lan", [False, True])
def test_there_is_always_a_key_and_never_the_same(tmp_path: Path, lan: bool) -> None:
    keys = {settings(Wanted(tmp_path, lan=lan)).Voila.token for _ in range(50)}
    assert len(keys) == 50
    assert all(re.fullmatch(r"[a-z2-9]{4}-[a-z2-9]{4}-[a-z2-9]{4}", key) for key in keys)
    assert not set("".join(keys)) & set("ilo01")


def test_the_network_hears_a_caution() -> None:
    words = " ".join(caution(f"http://192.0.2.7:8866/?token={new_key()}"))
    assert words.count("CAUTION") == 2
    assert "not encrypted" in words
    assert "safe" not in words


@pytest.mark.parametrize("path", [each for each in TEMPLATES if each.is_file()], ids=lambda path: path.name)
def test_templates_fetch_nothing_from_outside(path: Path) -> None:
    assert "://" not in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["page", "export"])
def test_set_up_brings_what_the_command_needs(command: str) -> None:
    assert extras_for([command]) == ("lab",)


@pytest.mark.parametrize("late", [0.5, 1.0])
def test_a_page_stays_connected_while_the_server_is_busy(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, late: float
) -> None:
    """Pings scaled down to 0.2 s; the server is held up for `late` intervals between two of them."""
    monkeypatch.setattr(server, "PING_MS", 200)
    asyncio.run(_held_up(settings(Wanted(tmp_path)).Voila.tornado_settings, 0.2 * late))


async def _held_up(pings: dict[str, int], seconds: float) -> None:
    cut: list[float] = []

    class Held(WebSocketMixin, WebSocketHandler):
        log = logging.getLogger("pages")
        prepare = WebSocketHandler.prepare

        def close(self, *_: object) -> None:
            cut.append(time.time())

        def check_origin(self, _origin: object = None) -> bool:
            return True

    listening = Application([("/", Held)], **pings).listen(0, "127.0.0.1")
    port = next(iter(listening._sockets.values())).getsockname()[1]
    link = await websocket_connect(f"ws://127.0.0.1:{port}/")
    for _ in range(5):
        await asyncio.sleep(0.25)
        time.sleep(seconds)  # noqa: ASYNC251 - the server is to be held up
    listening.stop()
    link.close()
    assert cut == []


@pytest.mark.parametrize(("pages", "most"), [(0, 12), (2_000_000, 12), (6_000_000, 24)])
def test_a_large_machine_holds_more_pages(monkeypatch: pytest.MonkeyPatch, pages: int, most: int) -> None:
    """Memory in pages of 4 kB."""
    monkeypatch.setattr(os, "sysconf", {"SC_PHYS_PAGES": pages, "SC_PAGE_SIZE": 4096}.get, raising=False)
    assert limits.most_kernels() == most


def test_one_kernel_too_many_takes_the_page_left_longest() -> None:
    now = datetime(2026, 1, 1, tzinfo=UTC)
    kernels = {
        f"k{age}": SimpleNamespace(last_activity=now - timedelta(seconds=100 * age), execution_state="idle")
        for age in range(MOST_KERNELS)
    }
    links = dict.fromkeys(kernels, 1)
    assert to_release(kernels, links, now) == [f"k{MOST_KERNELS - 1}"]
    assert to_release(kernels, links | {"k3": 0}, now) == ["k3"]
    kernels[f"k{MOST_KERNELS - 1}"].execution_state = "busy"
    assert to_release(kernels, links, now) == [f"k{MOST_KERNELS - 2}"]
    del kernels["k1"]
    assert to_release(kernels, links, now) == []


# ---- a server of its own


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Notebooks: one in the folder, one below, a hidden one."""
    home = tmp_path_factory.mktemp("pages")
    for name, words in (("a", "# Why?"), ("lessons/b", "# How much?"), (".hidden", "# Secret?")):
        path = home / f"{name}.ipynb"
        path.parent.mkdir(exist_ok=True)
        book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell(words)])
        book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
        nbformat.write(book, path)
    (home / "notes.txt").write_text("mine")
    return home


@pytest.fixture(scope="module")
def served(folder: Path) -> Iterator[tuple[str, str, subprocess.Popen[str]]]:
    """Address, key and process of a server on that folder."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "tubekit", "page", str(folder), "--no-browser", "--port", str(port)]
    env = {**os.environ, "TUBEKIT_NO_SETUP": "1", "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(command, env=env, cwd=folder, stderr=subprocess.PIPE, text=True)
    try:
        line = process.stderr.readline()
        match = re.search(r"(http://127\.0\.0\.1:\d+)/voila/render/a\.ipynb\?token=(\S+)", line)
        assert match, line
        yield match[1], match[2], process
    finally:
        process.terminate()
        process.wait(20)


def ask(address: str) -> tuple[int, str, str]:
    """Status, address arrived at, text."""
    try:
        with urllib.request.urlopen(address, timeout=60) as answer:
            return answer.status, answer.url, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, address, error.read().decode()


@pytest.mark.parametrize("place", ["/", "/voila/tree/lessons", "/voila/render/a.ipynb"])
def test_without_the_key_there_is_only_the_door(served, place: str) -> None:
    _, arrived, text = ask(served[0] + place)
    assert "/login" in arrived
    assert "Why?" not in text
    assert "How much?" not in text
    assert 'name="password"' in text


def test_the_front_page_lists_the_questions(served) -> None:
    _, _, text = ask(f"{served[0]}/?token={served[1]}")
    assert 'href="/voila/render/a.ipynb">Why?</a>' in text
    assert 'href="/voila/render/lessons/b.ipynb">How much?</a>' in text
    assert "Secret?" not in text
    assert "can kill" in text


@pytest.mark.parametrize(
    "place",
    ["/voila/files/a.ipynb", "/voila/files/notes.txt", "/voila/files/../notes.txt", "/api/contents/a.ipynb"],
)
def test_files_are_not_given_out(served, place: str) -> None:
    status, _, text = ask(f"{served[0]}{place}?token={served[1]}")
    assert status in {403, 404}
    assert "mine" not in text


def test_another_machines_name_does_not_get_in_with_a_wrong_key(served) -> None:
    _, arrived, _ = ask(f"{served[0]}/?token={new_key()}")
    assert "/login" in arrived


def answer(served, method: str, path: str, source: str = "127.0.0.1", **heads: str) -> tuple[int, str]:
    """Status and cookie of an answer to a request with these heads, from an address of this machine."""
    link = http.client.HTTPConnection(served[0].partition("//")[2], timeout=60, source_address=(source, 0))
    with contextlib.closing(link):
        link.request(method, path, headers={name.replace("_", "-"): value for name, value in heads.items()})
        got = link.getresponse()
        cookies = [value.partition(";")[0] for name, value in got.getheaders() if name == "Set-Cookie"]
        return got.status, "; ".join(cookies)


UPGRADE = {
    "Upgrade": "websocket", "Connection": "Upgrade", "Sec_WebSocket_Version": "13",
    "Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip
KERNEL = "00000000-1111-2222-3333-444444444444"


@pytest.mark.parametrize(
    ("method", "path", "heads"),
    [
        ("GET", f"/api/kernels/{KERNEL}/channels", UPGRADE),
        ("GET", f"/voila/execution/{KERNEL}", UPGRADE),
        ("GET", f"/api/kernels/{KERNEL}", {}),
        ("DELETE", f"/api/kernels/{KERNEL}", {}),
        ("POST", f"/voila/api/shutdown/{KERNEL}", {}),
        ("GET", "/voila/api/contents/", {}),
    ],
)
def test_kernels_and_lists_are_not_reached_without_the_key(served, method: str, path: str, heads) -> None:
    assert answer(served, method, path, **heads)[0] == 403


def test_another_site_in_the_same_browser_does_not_use_its_cookie(served) -> None:
    """The name of another machine that leads to this one (rebound by its name server) has no cookie."""
    own, path = served[0], f"/voila/execution/{KERNEL}"
    status, cookie = answer(served, "GET", f"/?token={served[1]}")
    assert status == 200
    assert answer(served, "GET", path, Cookie=cookie, Origin=own, **UPGRADE)[0] == 101
    assert answer(served, "GET", path, Cookie=cookie, Origin="http://other.invalid", **UPGRADE)[0] == 403
    end = f"/voila/api/shutdown/{KERNEL}"
    for origin in (own, "http://other.invalid"):  # no form of another page carries the second key
        assert answer(served, "POST", end, Cookie=cookie, Origin=origin, Referer=f"{origin}/")[0] in {
            403,
            404,
        }
    rebound = {"Host": "other.invalid", "Origin": "http://other.invalid"}
    assert answer(served, "GET", path, **rebound, **UPGRADE)[0] == 403
    assert answer(served, "GET", "/", Host="other.invalid")[0] == 302


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems have one loopback address")
@pytest.mark.parametrize(
    ("source", "way"), [("127.0.0.2", "query"), ("127.0.0.3", "head"), ("127.0.0.4", "link")]
)
def test_no_way_of_giving_a_key_and_no_head_gets_round_the_wait(served, source: str, way: str) -> None:
    def give(key: str, place: int) -> int:
        heads = {"X_Forwarded_For": f"192.0.2.{place}", "X_Real_IP": f"192.0.2.{place}"}
        if way == "head":
            return answer(served, "GET", "/", source, Authorization=f"token {key}", **heads)[0]
        path = f"/voila/execution/{KERNEL}" if way == "link" else "/"
        heads |= UPGRADE if way == "link" else {}
        return answer(served, "GET", f"{path}?token={key}", source, **heads)[0]

    assert [give(new_key(), place) == 429 for place in range(TRIES + 2)] == [False] * TRIES + [True] * 2
    assert give(served[1], 99) == 429
    assert answer(served, "GET", f"/?token={served[1]}", "127.0.0.5")[0] == 200  # others are let in


def test_an_address_that_guesses_keys_has_to_wait(served) -> None:
    for _ in range(TRIES):
        ask(f"{served[0]}/?token={new_key()}")
    status, _, text = ask(f"{served[0]}/?token={served[1]}")
    assert status == 429
    assert re.search(r"Too many wrong keys from here. Wait \d+ s, then try again", text)
    assert "does not exist" not in text


def test_no_key_in_what_is_logged() -> None:
    record = logging.LogRecord("x", 40, "x", 1, "%d GET %s", (500, "/?token=abcd-efgh&next=1"), None)
    assert without_key(record)
    assert record.getMessage() == "500 GET /?token=…&next=1"


def test_ctrl_c_ends_it_without_a_traceback(served) -> None:
    process = served[2]
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0
    assert "Traceback" not in process.stderr.read()


def test_what_is_neither_folder_nor_notebook_is_refused(tmp_path: Path) -> None:
    from tubekit.cli.page_commands import _notebook_of

    with pytest.raises(InputError, match="there is no such notebook"):
        _notebook_of(str(tmp_path / "x.txt"))


def test_a_lesson_is_served_with_the_notebooks_it_links_to(tmp_path: Path) -> None:
    from tubekit.cli.page_commands import _notebook_of

    (tmp_path / "lessons").mkdir()
    for name in ("00-start-here.ipynb", "lessons/a.ipynb"):
        (tmp_path / name).touch()
    assert _notebook_of(str(tmp_path / "lessons" / "a.ipynb")) == (tmp_path, "lessons/a.ipynb")
    assert _notebook_of(str(tmp_path)) == (tmp_path, "00-start-here.ipynb")

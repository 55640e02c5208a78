"""README.md and DEVELOPERS.md do what they say: every block in them is run.

A ``python`` block is run in one namespace per file, as a session where it has ``>>>`` prompts.
Of a ``console`` or ``sh`` block the commands that start with ``python3 -m tubekit`` are run.
A ``text`` block that follows is what the block before it printed. ``...`` stands for anything.
A block under the comment ``<!-- not run: why -->`` is left alone.
"""

from __future__ import annotations

import contextlib
import doctest
import io
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

DOCUMENTS = ("README.md", "DEVELOPERS.md")
PROGRAM = ["python3", "-m", "tubekit"]
# These open a browser and stay, or would run this very test again.
NOT_HERE = (["lab"], ["page"], ["test"], [])
SAME = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE

_FENCE = re.compile(
    r"(?P<comment><!-- *not run: *\S.*?-->\n+)?^```(?P<language>\w*)[^\n]*\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)


@dataclass(frozen=True)
class Block:
    """A fenced block, the line its text starts on, and what it should print (None: nothing is said)."""

    language: str
    text: str
    line: int
    printed: str | None = None


def blocks(document: str) -> Iterator[Block]:
    """The blocks that are to be run, each with the ``text`` block that follows it."""
    result = list(_FENCE.finditer(document))
    for here, following in zip(result, [*result[1:], None], strict=True):
        if here["comment"] or here["language"] not in {"python", "console", "sh"}:
            continue
        between = document[here.end() : following.start("language")] if following else ""
        shown = following["text"] if following and _introduces(following["language"], between) else None
        yield Block(here["language"], here["text"], document.count("\n", 0, here.start("text")) + 1, shown)


def _introduces(language: str, between: str) -> bool:
    """Whether a ``text`` block belongs to the one before: at most one line of prose lies between."""
    prose = [line for line in between.removesuffix("```").splitlines() if line.strip()]
    return language == "text" and len(prose) <= 1


def run_python(block: Block, namespace: dict[str, object], name: str) -> str:
    """What the block printed. Raises what the block raises, at the document's own lines."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        if ">>>" in block.text:
            _run_session(block, namespace, name)
        else:
            exec(compile("\n" * (block.line - 1) + block.text, name, "exec"), namespace)
    return printed.getvalue()


def _run_session(block: Block, namespace: dict[str, object], name: str) -> None:
    test = doctest.DocTestParser().get_doctest(block.text, namespace, name, name, block.line - 1)
    lines: list[str] = []
    runner = doctest.DocTestRunner(verbose=False, optionflags=SAME)
    runner.run(test, out=lines.append, clear_globs=False)
    assert not runner.failures, "".join(lines)
    namespace.update(test.globs)


def commands(block: Block) -> Iterator[tuple[list[str], str | None]]:
    """The arguments of each tubekit command, and the answer printed under it."""
    text = block.text.replace("\\\n", " ")
    if block.language == "console":
        for part in re.split(r"^\$ ", text, flags=re.MULTILINE)[1:]:
            line, _, answer = part.partition("\n")
            yield from _arguments(line, answer or None)
        return
    lines = [line for line in text.splitlines() if line.strip()]
    for line in lines:
        yield from _arguments(line, block.printed if line == lines[-1] else None)


def _arguments(line: str, answer: str | None) -> Iterator[tuple[list[str], str | None]]:
    words = shlex.split(line, comments=True)
    if words[:3] == PROGRAM and words[3:4] not in NOT_HERE:
        yield words[3:], answer


def run_command(arguments: list[str], root: Path, folder: Path) -> str:
    """What the command printed, run in `folder` as if it were the checkout."""
    done = subprocess.run(
        [sys.executable, "-m", "tubekit", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(root), "TUBEKIT_NO_SETUP": "1", "COLUMNS": "100"},
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, f"{shlex.join(arguments)}: {done.stderr}"
    return done.stdout


def compare(expected: str | None, got: str, where: str) -> None:
    """A failed assertion when what was printed differs from what the document shows."""
    if expected is not None:
        same = doctest.OutputChecker().check_output(expected, got, SAME)
        assert same, f"{where} shows\n{expected}\nbut this is printed:\n{got}"


def check(document: str, name: str, root: Path, folder: Path) -> int:
    """How many python blocks and commands were run; each did what the document shows."""
    namespace: dict[str, object] = {"__name__": name}
    count = 0
    for block in blocks(document):
        where = f"{name}, line {block.line}"
        if block.language == "python":
            compare(block.printed, run_python(block, namespace, name), where)
            count += 1
            continue
        for arguments, answer in commands(block):
            compare(answer, run_command(arguments, root, folder), where)
            count += 1
    return count


@pytest.fixture
def workshop(root: Path, tmp_path: Path, monkeypatch) -> Path:
    """A folder that looks like the checkout, where commands may write."""
    for name in ("data", "notebooks"):
        if (root / name).is_dir():
            (tmp_path / name).symlink_to(root / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", DOCUMENTS)
def test_documents_do_what_they_say(name: str, root: Path, workshop: Path) -> None:
    if not (root / name).exists():
        pytest.skip(f"{name} is not written yet")
    count = check((root / name).read_text(encoding="utf-8"), name, root, workshop)
    assert count or name != "README.md", "the front page shows no example"


@pytest.mark.slow
def test_every_command_of_the_front_page_runs_as_printed(root: Path, workshop: Path) -> None:
    """Those of its table, on files that ship."""
    from tubekit.cli.main import main

    text = (root / "README.md").read_text(encoding="utf-8")
    printed = re.findall(r"^\| `(python3 -m tubekit[^`]*)`", text, re.MULTILINE)
    asked = [arguments for line in printed for arguments, _ in _arguments(line, None)]
    assert len(asked) > 20
    for arguments in asked:
        assert main(arguments) == 0, shlex.join(arguments)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_to_files_and_headings_hold(name: str, root: Path) -> None:
    if not (root / name).exists():
        pytest.skip(f"{name} is not written yet")
    text = (root / name).read_text(encoding="utf-8")
    for target in re.findall(
        r"\]\(([^)\s]+)\)", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    ):
        if "://" in target:
            continue
        path, _, heading = target.partition("#")
        file = root / (path or name)
        assert file.exists(), f"{name} links to {target}"
        if heading:
            titles = re.findall(r"^#+ +(.+?) *$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert heading in {slug(title) for title in titles}, f"{name} links to {target}"


def slug(title: str) -> str:
    """A heading's anchor."""
    return re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-")


def test_the_front_page_names_every_command(root: Path) -> None:
    from tubekit.cli.main import _parser

    text = (root / "README.md").read_text(encoding="utf-8")
    (choices,) = [action.choices for action in _parser()[0]._actions if action.choices]
    named = set(re.findall(r"`(?:python3 -m tubekit )?([a-z-]+)[^`]*`", text))
    assert sorted(set(choices) - named) == []


def test_the_front_page_quotes_what_set_up_says(root: Path) -> None:
    from tubekit.__main__ import too_old

    text = (root / "README.md").read_text(encoding="utf-8")
    message = too_old((3, 9), "python3") + (root / "tubekit" / "setup" / "install.py").read_text(
        encoding="utf-8"
    )
    for words in ("needs Python 3.11 or newer", "set-up stopped"):
        assert f"*{words}*" in text
        assert words in message


def test_the_front_page_names_every_notebook(root: Path) -> None:
    text = (root / "README.md").read_text(encoding="utf-8")
    assert [path.stem for path in (root / "notebooks").glob("*.ipynb") if f"`{path.stem}`" not in text] == []


def test_pictures_are_small_and_said_in_words(root: Path) -> None:
    """A picture of the front page comes from a run, loads quickly, and its words tell what it shows."""
    text = (root / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)|<img src=\"([^\"]+)\"[^>]*alt=\"([^\"]+)\"", text)
    pictures = {place or other: words or others for words, place, other, others in shown}
    folder = root / "notebooks" / "pictures"
    assert {Path(place).name for place in pictures} == {each.name for each in folder.iterdir()}
    for place, words in pictures.items():
        assert (root / place).stat().st_size < 150_000, place
        assert len(words.split()) >= 8, f"{place} is not said in words"


def test_every_picture_can_be_drawn_anew(root: Path) -> None:
    pytest.importorskip("PIL")
    from tests.notebooks.gallery import PICTURES

    names = {f"{name}.png" for name in PICTURES}
    assert names == {each.name for each in (root / "notebooks" / "pictures").iterdir()}


# --- the reader itself ---------------------------------------------------------------------------

GOOD = """# Title
```python
a = 2
print(a, "ohms")
```
It prints:
```text
2 ohms
```
```python
>>> a + 1
3
```
<!-- not run: it would never end -->
```python
while True: pass
```
```console
$ ls
whatever
$ python3 -m tubekit --version
tubekit ...
```
```sh
python3 -m tubekit          # opens the notebooks
python3 -m tubekit test
python3 -m tubekit swap teasel \\
    R14=330
```
```text
the answer
```
"""


def test_blocks_are_found_with_what_they_print() -> None:
    result = list(blocks(GOOD))
    assert [(block.language, block.line, block.printed) for block in result] == [
        ("python", 3, "2 ohms\n"),
        ("python", 11, None),
        ("console", 19, None),
        ("sh", 25, "the answer\n"),
    ]
    assert list(commands(result[2])) == [(["--version"], "tubekit ...\n")]
    assert list(commands(result[3])) == [(["swap", "teasel", "R14=330"], "the answer\n")]


def test_python_blocks_share_a_namespace(root: Path, tmp_path: Path) -> None:
    assert check(GOOD.partition("```console")[0], "good.md", root, tmp_path) == 2


@pytest.mark.parametrize(
    ("old", "new"), [("2 ohms\n", "3 ohms\n"), ("\n3\n", "\n4\n"), ("a = 2", "a = b"), ('"ohms"', "'ohm'")]
)
def test_a_document_that_errs_is_found_out(old: str, new: str, root: Path, tmp_path: Path) -> None:
    document = GOOD.partition("```console")[0]
    assert old in document
    with pytest.raises((AssertionError, NameError)):
        check(document.replace(old, new), "bad.md", root, tmp_path)

"""Every command answers first: 25 lines, 100 columns, dangers above all, the verdict below them."""

from __future__ import annotations

import contextlib
import io
import re
import sys
from importlib import import_module
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from tests.amps import amp
from tests.benchmarks.commands import asked
from tubekit.cli import main
from tubekit.cli.short_answer import LINES, SHORT_CAUTION, WIDTH, short_answer
from tubekit.cli.terminal import prepare_output, print_answer
from tubekit.layout import text_width
from tubekit.text import Column, Printed, Table

NOT_ABOUT_VOLTS = ("parts", "record")


NAME = "no-transformer"
ENCODINGS = ("ascii", "latin-1", "cp437", "cp1252")


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[list[str], str, list[Printed]]]:
    """Every command of an amp: its words, what it printed, and the answer it printed."""
    result = []
    for words in asked(NAME, tmp_path_factory.mktemp("every")):
        answers: list[Printed] = []
        with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(io.StringIO()) as out:

            def kept(answer: Printed, whole: bool, answers: list[Printed] = answers) -> None:
                answers.append(answer)
                print_answer(answer, whole)

            patch.setattr(import_module("tubekit.cli.main"), "print_answer", kept)
            if main(words) != 0:
                assert out.getvalue() == "", words
                continue
        result.append((words, out.getvalue(), answers))
    return result


def test_every_command_prints_in_words_what_a_terminal_lacks(
    answered: list[tuple[list[str], str, list[Printed]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No sign is lost, and the short answer stays within lines and columns."""

    def printed(answer: Printed, whole: bool, encoding: str) -> str:
        with monkeypatch.context() as patch:
            patch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding, newline=""))
            prepare_output()
            print_answer(answer, whole)
            sys.stdout.flush()
            return sys.stdout.buffer.getvalue().decode(encoding)  # type: ignore[attr-defined]

    for words, _, answers in answered:
        for answer in answers:
            for whole in (False, True) if isinstance(answer, Printed) else (True,):
                every = printed(answer, whole, "utf-8")
                for encoding in ENCODINGS:
                    text = printed(answer, whole, encoding)
                    assert text.count("?") == every.count("?"), (words, encoding)
                    lines = text.splitlines()
                    assert whole or (len(lines) <= LINES and max(map(len, lines)) <= WIDTH), (words, encoding)


def test_every_command_is_short_and_begins_with_the_danger(
    answered: list[tuple[list[str], str, list[Printed]]],
) -> None:
    commands = 0
    for words, message, _ in answered:
        lines = message.splitlines()
        assert len(lines) <= LINES, words
        assert max(map(len, lines)) <= WIDTH, words
        commands += 1
        if words[0] in NOT_ABOUT_VOLTS:
            continue
        dangers, rest = message.split("\n\n", maxsplit=1)
        dangers = " ".join(dangers.split())
        assert [text[:12] for text in dangers.split("DANGER: ")[1:-1]] == [
            n.text[:12] for n in amp(NAME).dangers
        ]
        assert dangers.endswith(SHORT_CAUTION)
        assert rest.splitlines()[0].startswith(amp(NAME).title), words
    assert commands > 30


def test_a_cable_is_short(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cable", "fescue"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("DANGER: Line voltage")
    assert len(lines) <= LINES
    assert max(map(len, lines)) <= WIDTH


def test_all_gives_what_the_last_line_names(capsys: pytest.CaptureFixture[str]) -> None:
    main(["report", "teasel"])
    short = capsys.readouterr().out
    main(["report", "teasel", "--all"])
    whole = capsys.readouterr().out
    assert re.search(r"^More \(add --all\): .*nodes", short.splitlines()[-1])
    assert "volume_in" not in short
    assert "volume_in" in whole
    assert whole.startswith("DANGER. Line voltage")


def test_a_change_names_only_what_moves(capsys: pytest.CaptureFixture[str]) -> None:
    main(["swap", "teasel", "R4=1800"])
    text = capsys.readouterr().out
    assert "Changed by 1 % or more" in text
    assert "V1a cathode current" in text
    assert not re.search(r"^V3", text, re.MULTILINE)
    assert "Heard: gain to LS1 -0." in text


def test_a_change_that_moves_nothing_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    main(["swap", str(Path(__file__).parents[1] / "amp_files" / "reverb-tremolo.toml"), "C1=26u"])
    text = " ".join(capsys.readouterr().out.split())
    assert "No voltage, current, gain, tone or hum changes by 1 % or more." in text
    assert "EXCEEDED V6, V7 plate voltage 411 V 411 V" in text


def test_colors_only_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def printed(tty: bool) -> str:
        monkeypatch.setattr(sys.stdout, "isatty", lambda: tty)
        main(["discharge", "vetch"])
        return capsys.readouterr().out

    monkeypatch.delenv("NO_COLOR", raising=False)
    assert "\x1b[1;31mDANGER" in printed(True)
    assert "\x1b" not in printed(False)
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in printed(True)


@pytest.mark.parametrize(
    ("words", "condition"),
    [
        (["lower-line", "teasel", "--line", "124"], "before you connect the amp"),
        (["bench", "trace", "vetch"], "rated at least"),
        (["bench", "up", "vetch"], "BEFORE YOU START"),
    ],
)
def test_a_safety_condition_is_above_the_table_it_belongs_to(
    words: list[str], condition: str, capsys: pytest.CaptureFixture[str]
) -> None:
    main(words)
    text = " ".join(capsys.readouterr().out.split())
    assert text.index(condition) < text.index({"lower-line": "dissipates"}.get(words[0], "V RMS"))


@given(
    st.lists(
        st.tuples(
            st.text(max_size=12),
            st.lists(st.tuples(st.text(max_size=300), st.floats(), st.text(max_size=90)), max_size=40),
        ),
        max_size=6,
    ),
    st.text(min_size=1, max_size=900),
)
def test_a_short_answer_never_exceeds_its_lines_and_columns(blocks, sentence):
    class Answer(Printed):
        def headline(self):
            return sentence

        def tables(self):
            heads = (Column("a long heading of words"), Column("n", "V"), Column("c"))
            return [Table(title, heads, rows) for title, rows in blocks]

    lines = short_answer(Answer()).split("\n")
    assert len(lines) <= LINES
    assert max(map(text_width, lines)) <= WIDTH


def test_a_short_answer_says_what_it_leaves_out():
    class Answer(Printed):
        def headline(self):
            return "It holds."

        def tables(self):
            return [
                Table(
                    "Nodes (to ground)",
                    (Column("node"), Column("DC", "V")),
                    [(f"B{k}", 1e-4) for k in range(40)],
                )
            ]

    lines = short_answer(Answer()).splitlines()
    assert lines[:4] == ["It holds.", "", "Nodes (to ground)", "node      DC"]
    assert lines[4] == "B0    < 1 mV"
    assert lines[-2:] == ["… 21 more", "More (add --all): nodes"]

"""Any terminal, however few signs it has: what it lacks is written in words, and a lost output is said."""

from __future__ import annotations

import codecs
import io
import os
import re
import sys
import unicodedata
from typing import Any

from tubekit.cli.short_answer import short_answer
from tubekit.text import Printed

HANDLER = "tubekit-in-words"
WORDS = {
    "Ω": "ohm", "µ": "u", "μ": "u", "×": "x", "·": "*", "→": "->", "…": "...", "─": "-", "–": "-",
    "—": "-", "−": "-", "†": "+", "°": "deg", "±": "+/-", "≤": "<=", "≥": ">=", "²": "^2", "³": "^3",
    "√": "sqrt", "∞": "inf", "§": "section ", "“": '"', "”": '"', "’": "'", "✓": "yes", "✗": "no",
    "✖": "x", "☐": "[ ]", "○": "o", "●": "*", "◇": "<>", "■": "#", "▸": ">", "◂": "<", "▲": "^", "▼": "v",
    "↻": "again",
}  # fmt: skip
"""What replaces a sign that a terminal lacks; Greek is named, other letters lose accents, the rest is '?'."""
HIDDEN = re.compile("[\\x00-\\x08\\x0b-\\x1f\\x7f-\\x9f\\u202a-\\u202e\\u2066-\\u2069]")
"""Commands to a terminal, and what turns the order of letters: shown, not carried out."""


def in_words(text: str) -> str:
    """The text in signs that every terminal has.

    Examples
    --------
    >>> in_words("4.70 kΩ → 10 µF, Überlingen")
    '4.70 kohm -> 10 uF, Uberlingen'
    """
    return "".join(WORDS.get(sign) or _plain(sign) for sign in text)


def _plain(sign: str) -> str:
    if sign.isascii():
        return sign
    greek = re.fullmatch(r"GREEK (?:SMALL|CAPITAL) LETTER (\w+)", unicodedata.name(sign, ""))
    if greek:
        return greek[1].lower()
    return unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode() or "?"


def visible(text: str) -> str:
    r"""The text with what a terminal would obey written as its number.

    Examples
    --------
    >>> print(visible("red " + chr(27) + "[31m title"))
    red \x1b[31m title
    """
    return HIDDEN.sub(lambda sign: ascii(sign[0])[1:-1], text)


def _handled(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return in_words(error.object[error.start : error.end]), error.end


def prepare_output() -> None:
    """Write in words what the terminal's encoding lacks; a closed output swallows what it gets."""
    codecs.register_error(HANDLER, _handled)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=HANDLER)


BOLD, RED, PLAIN = "\x1b[1m", "\x1b[1;31m", "\x1b[0m"
ALARM = re.compile(r"^DANGER\b.*|\b(?:EXCEEDED|STOP|UNSTABLE|WRONG|BACKWARDS)\b", re.MULTILINE)


def print_answer(answer: Any, whole: bool) -> None:
    """Print an answer, the short one or the whole, in the signs and colors that the terminal has."""
    out = sys.stdout
    if whole or not isinstance(answer, Printed):
        text = str(answer)
    else:
        text = short_answer(answer, str if writes(out.encoding, "".join(WORDS)) else in_words)
    text = visible(text)
    print(_colored(text, answer) if out.isatty() and not os.environ.get("NO_COLOR") else text)


def writes(encoding: str | None, signs: str) -> bool:
    """Whether an encoding has all these signs."""
    try:
        signs.encode(encoding or "utf-8")
    except (LookupError, UnicodeEncodeError):
        return False
    return True


def _colored(text: str, answer: Any) -> str:
    """Dangers and words of alarm in red, the verdict in bold."""
    text = ALARM.sub(lambda result: f"{RED}{result[0]}{PLAIN}", text)
    headline = getattr(answer, "answer", str)()[:40]
    return "\n".join(
        f"{BOLD}{line}{PLAIN}" if headline and line.startswith(headline) else line
        for line in text.splitlines()
    )

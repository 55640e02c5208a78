"""Whatever someone types into a field is shown as typed, or refused with the name of the field."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.amps import amp
from tests.failures.amp_texts import message, write_amp
from tubekit.amp import load_amp
from tubekit.bench.readings import load_readings
from tubekit.errors import InputError
from tubekit.jobs.journal import append
from tubekit.plots import schematic
from tubekit.record.page import page
from tubekit.record.record import contents

TYPED = r"=2+3 $\\frac{1}{0}$ {x} <script>alert(1)</script> %s \\x1b"
HIDDEN = ("\x1b[31m", "\0", "\x07", "x" * 10_000, "R14 \u202e330", "\u2066330")
NOTE = 'note = "reservoir"'


def hostile(folder: Path, text: str) -> Path:
    written = text.replace("\\", "\\\\")
    return write_amp(
        folder, ('title = "Ottermere Teasel"', f'title = "{written}"'), (NOTE, f'note = "{written}"')
    )


def test_signs_of_other_languages_are_shown_as_typed(tmp_path: Path) -> None:
    """Of formulas, figures, pages and format strings."""
    one = load_amp(hostile(tmp_path, TYPED))
    assert one.title == TYPED
    assert one.test_points["TP1"].note == TYPED
    drawing = schematic(replace(one, title=TYPED))
    texts = drawing.figure.findobj(lambda artist: bool(getattr(artist, "get_text", str)()))
    assert not any(text.get_parse_math() for text in texts)
    html = page(contents(one, title=TYPED, decided=TYPED, why=TYPED, by=TYPED))
    assert "<script>alert" not in html
    assert "&lt;script&gt;alert(1)" in html
    listed = one.save_as(tmp_path / "parts.csv").read_text(encoding="utf-8")
    cells = [cell for row in csv.reader(io.StringIO(listed)) for cell in row]
    assert sum(TYPED in cell for cell in cells) == 2
    assert [cell for cell in cells if re.match(r"[=+@\t\r]|-(?![\d.])", cell)] == []


@pytest.mark.parametrize("text", HIDDEN, ids=["ESC", "NUL", "BEL", "long", "turned", "set apart"])
def test_what_cannot_be_shown_is_refused_by_the_name_of_its_field(text: str, tmp_path: Path) -> None:
    escaped = text.replace("\x1b", "\\u001b").replace("\0", "\\u0000").replace("\x07", "\\u0007")
    path = write_amp(tmp_path, (NOTE, f'note = "{escaped}"'))
    assert "TP1" in message(path)
    assert "note" in message(path)
    teasel = amp("teasel")
    for field in ("title", "decided", "why", "by", "date"):
        with pytest.raises(InputError, match=f": {field}: has "):
            contents(teasel, **{field: text})
    with pytest.raises(InputError, match="line 1, B1, note"):
        load_readings([{"place": "B1", "quantity": "DC volts", "value": "300", "note": text}], teasel)
    with pytest.raises(InputError, match=": text: has "):
        append(tmp_path, "note", "bench", {"text": text})
    assert len(message(path)) < 500


def test_a_title_is_text() -> None:
    with pytest.raises(InputError, match="title: is a int, not text"):
        contents(amp("teasel"), title=3)  # type: ignore[arg-type]

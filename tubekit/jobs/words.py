"""What is typed at the bench, as the readers of the other rooms take it: 'V3.k=5.7' as a row of readings."""

from __future__ import annotations

import re
from collections.abc import Sequence

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.reading_rows import rows_of_source
from tubekit.decisions.probe import QUANTITIES
from tubekit.errors import ReadingError
from tubekit.jobs.job import MAINS_ROW
from tubekit.jobs.steps import NO, YES

LINE = ("line", MAINS_ROW)
PAIR = re.compile(r"(?P<place>[^\s=]+(?: to [^\s=]+| \w+)?)\s*=\s*(?P<value>\S.*)")
SIGNS = (
    (r"v\s*(?:pp|p-p)", "ripple_pp_v"), (r"v\s*(?:ac|rms|~)", "ac_rms_v"), (r"(?:[\d\s.]|[muµ])a", "dc_a"),
    (r"(?:ohms?|Ω|open|ol)", "ohms"), (r"f", "farads"), (r"v", "dc_v"),
)  # fmt: skip
"""How a value ends, and the quantity it then is."""
VALUE = re.compile(r"[+\-−]?(?:\d|[.,]\d)")
UNIT = re.compile(r"(?:[mkuµ]?(?:V|A|W|Ω|ohms?)(?:dc|ac|rms)?|rms|ac|dc)[,;]?", re.IGNORECASE)
"""How a value begins; a unit that was typed apart from it."""
AC = re.compile(r"(?<=v)\s*(?:pp|p-p|ac|rms|~)$", re.IGNORECASE)


def is_pair(word: str) -> bool:
    """Whether a word is PLACE=VALUE or PART=VALUE, and no sentence with an equals sign in it.

    Examples
    --------
    >>> is_pair("V3.k=5.7"), is_pair("B1 to B2=43 V"), is_pair("hot, since Vk=5.7")
    (True, True, False)
    """
    return PAIR.fullmatch(word) is not None


def rows_typed(words: Sequence[str], amp: Amp) -> list[dict[str, str]]:
    """Rows of readings from PLACE=VALUE, the quantity taken from the unit.

    Raises
    ------
    ReadingError : a word that is no reading, a tube without a unit.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> for row in rows_typed(["line=121", "V3.k=18.9", "V3=34mA", "R14=281"], load_amp("teasel")):
    ...     print(row)
    {'place': 'mains', 'quantity': 'AC volts', 'value': '121'}
    {'place': 'V3.k', 'quantity': 'DC volts', 'value': '18.9'}
    {'place': 'V3', 'quantity': 'current', 'value': '34mA'}
    {'place': 'R14', 'quantity': 'resistance', 'value': '281'}
    """
    return [_row(word, amp) for word in words]


def rows_of_file(path: str) -> list[dict[str, str]]:
    """Rows of a list of readings, as `judge` reads it; its line voltage and tone as rows of their own."""
    result = rows_of_source(path)
    rows = [{key: str(value) for key, value in row.items() if str(value)} for _, row in result.rows]
    if "mains" in result.heading:
        value = str(result.heading["mains"])
        rows.insert(0, {"place": MAINS_ROW, "quantity": QUANTITIES["ac_rms_v"].words, "value": value})
    jack = str(result.tone.get("input", ""))
    tone = [
        {"place": jack, "quantity": f"tone {key.replace('_', ' ')}", "value": str(value)}
        for key, value in result.tone.items() if key != "input"
    ]  # fmt: skip
    meter = {key: str(value) for key, value in result.meter.items()}
    return [*tone, *(meter | row for row in rows)]


def _row(word: str, amp: Amp) -> dict[str, str]:
    match = PAIR.fullmatch(word.strip())
    if match is None:
        raise ReadingError(
            f"'{word[:40]}' is not a reading",
            fix="Type PLACE=VALUE, like V3.k=5.7, B1=334, V3=34mA, line=121",
        )
    place, value = match["place"], match["value"].strip()
    if place.lower() in LINE:
        return {"place": MAINS_ROW, "quantity": QUANTITIES["ac_rms_v"].words, "value": AC.sub("", value)}
    code = _code(place, value, amp)
    return {"place": place, "quantity": QUANTITIES[code].words, "value": AC.sub("", value)}


def _code(place: str, value: str, amp: Amp) -> str:
    part = amp.parts.get(place)
    if isinstance(part, drawn.Resistor | drawn.Potentiometer) and not re.search(r"[vVaA~]\w*$", value):
        return "ohms"
    if isinstance(part, drawn.Capacitor) and not re.search(r"[vV~]\w*$", value):
        return "farads"
    for sign, code in SIGNS:
        if re.search(rf"{sign}$", value, re.IGNORECASE):
            return code
    if isinstance(part, drawn.Tube):
        raise ReadingError(
            f"'{place}={value}' could be volts or current", part=place,
            fix=f"Type {place}={value}mA, or name the electrode, like {place}.k={value}",
        )  # fmt: skip
    return "dc_v"


def together(words: Sequence[str]) -> list[str]:
    """What was typed as one word for each step: a place or a step number, an equals sign, the value.

    Examples
    --------
    >>> together(["ok", "V5", "k", "18,2", "B1=334 V", "7=18.2", "18200", "mV", "no", "it", "smells"])
    ['ok', 'V5.k=18,2', 'B1=334 V', '7=18.2', '18200 mV', 'no it smells']
    """
    result: list[str] = []
    place: list[str] = []
    for word in " ".join(words).replace("=", " = ").split():
        last = result[-1] if result and not place else ""
        reason = last.split(" ")[0].lower() in NO
        if reason or (UNIT.fullmatch(word) and VALUE.match(last.rpartition("=")[2])):
            result[-1] += f" {word}"
        elif word == "=":
            if not (place or result):
                raise ReadingError(
                    f"'{' '.join(words)}' has no place before its equals sign",
                    fix="Type PLACE=VALUE, like B1=334",
                )
            place = place or [result.pop()]
        elif VALUE.match(word) or word.lower() in (*YES, *NO):
            result.append(f"{_place_of(place)}={word}" if place else word)
            place = []
        else:
            place.append(word)
    return [*result, *([" ".join(place)] if place else [])]


def _place_of(words: Sequence[str]) -> str:
    """'V5 k' as 'V5.k'; 'B1 to p4' as it is."""
    return ".".join(words) if len(words) == 2 else " ".join(words)

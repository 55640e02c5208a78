"""Readings as they are written down at the bench: read, checked, put beside the amp."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.places import implausible, part_measured, plainly, probe_of, quantity_of
from tubekit.bench.reading_rows import Rows, from_csv, rows_of_source
from tubekit.decisions.probe import OPEN_OHMS, QUANTITIES, Tone
from tubekit.decisions.reading import UNITS, Meter, PartValue, Reading, Readings, taken
from tubekit.errors import ChangeError, InputError, ReadingError, near_matches
from tubekit.layout import as_typed
from tubekit.units import parse

MAINS_ACCURACY = 0.005
NO_TONE, TONE, TWICE = "no_tone", "tone", "twice"
"""Codes of errors: a signal without a test tone, a test tone that cannot be, a reading listed twice."""
OPEN_WORDS = ("open", "ol", "over", "infinite")
NOT_BELOW_ZERO = tuple(code for code, q in QUANTITIES.items() if not q.signed)
TONE_FIELDS = {
    "level": ("level_rms_v", "V"), "frequency": ("frequency_hz", "Hz"),
    "source_resistance": ("source_ohms", "ohm"),
}  # fmt: skip


def load_readings(source: Any, amp: Amp) -> Readings:
    """The readings taken on an amp.

    Parameters
    ----------
    source
        Path of a .csv or .toml file, a DataFrame, or a list of mappings; columns place, quantity, value
        [accuracy, input_resistance, note]. A row with place 'mains' gives the line at the time; rows with an
        input jack and 'tone level' or 'tone frequency' give the test tone. A part with its resistance,
        capacitance or emission was measured by itself and overrides the drawing.
    amp
        The amp as drawn.

    Returns
    -------
    Readings
        The readings, and the amp with line voltage and measured parts taken from them.

    Raises
    ------
    ReadingError
        Anything that could be misread, or that no amp can show; names line, place and fix.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> rows = [{"place": "mains", "quantity": "AC volts", "value": "121 V"},
    ...         {"place": "k34", "quantity": "DC volts", "value": "18.9 V"},
    ...         {"place": "R14", "quantity": "resistance", "value": "274"}]
    >>> result = load_readings(rows, load_amp("teasel"))
    >>> result.amp.mains_rms, result.amp.parts["R14"].ohms, result.readings[0].describe()
    (121.0, 274.0, '18.90 V')
    """
    return _read(rows_of_source(source), amp)


def readings_from_text(text: str, amp: Amp, name: str = "pasted text") -> Readings:
    """Readings of pasted CSV text; see `load_readings`."""
    return _read(from_csv(text, name), amp)


@dataclass
class _Found:
    """What the rows of a list have given so far."""

    tone: dict[str, Any]
    mains: float | None
    mains_accuracy: float
    seen_mains: str
    readings: list[Reading] = field(default_factory=list)
    parts: list[PartValue] = field(default_factory=list)


def _read(rows: Rows, amp: Amp) -> Readings:
    mains, accuracy = _mains_of_heading(rows)
    meter = _meter(rows.meter, Meter(), rows.where, "[meter]")
    result = _Found(dict(rows.tone), mains, accuracy, "" if mains is None else "[readings]")
    for line, row in rows.rows:
        try:
            _row(result, rows.where, line, row, meter, amp)
        except ReadingError as error:
            raise ReadingError.of(error, lines=(line,)) from error
    _no_duplicates(result.readings, result.parts, rows.where)
    spoken = _tone(result.tone, amp, rows.where)
    silent = [r.line for r in result.readings if r.probe.quantity == "signal_rms_v"] if spoken is None else []
    if silent:
        raise ReadingError(
            "there is a signal reading, but no test tone", where=rows.where, code=NO_TONE, lines=(silent[0],),
            fix="Add rows such as J1,tone level,20 mV and J1,tone frequency,1 kHz",
        )  # fmt: skip
    return _together(rows, amp, result, spoken)


def _row(result: _Found, where: str, line: int, row: Mapping[str, Any], meter: Meter, amp: Amp) -> None:
    """One row of a list: the line, the test tone, a part by itself, or a reading."""
    place, asked = plainly(" ".join(str(row.get("place", "")).split()), str(row.get("quantity", "")))
    at = f"line {line}, {place[:40] or 'no place'}"
    words = " ".join(asked.split()).lower()
    if place.lower() in ("line", "mains"):
        _mains_row(quantity_of(asked, where, at), result.seen_mains, where, at)
        result.seen_mains = at
        result.mains = _number(row.get("value", ""), "V", where, at)
        result.mains_accuracy = _meter(row, Meter(accuracy=MAINS_ACCURACY), where, at).accuracy
        return
    if words.startswith("tone "):
        key = words.removeprefix("tone ").replace(" ", "_")
        result.tone |= {"input": place, key: row.get("value", "")}
        return
    plain, hertz = _frequency(words, where, at)
    code = quantity_of(plain if hertz else asked, where, at)
    one = _one(where, at, line, row, place, code, meter, amp)
    if isinstance(one, PartValue):
        result.parts.append(one)
    else:
        result.readings.append(replace(one, probe=replace(one.probe, frequency_hz=hertz)) if hertz else one)


def _mains_row(code: str, before: str, where: str, at: str) -> None:
    if code != "ac_rms_v":
        raise ReadingError(
            f"line voltage is read in AC volts, not in {QUANTITIES[code].words}", where=where, part=at,
            fix="Write line,AC volts,117 V",
        )  # fmt: skip
    if before:
        raise ReadingError(
            f"the line voltage was already given ({before.partition(',')[0]})", where=where, part=at,
            fix="Keep one; readings taken at another line voltage go into a list of their own",
        )  # fmt: skip


def _together(rows: Rows, amp: Amp, result: _Found, tone: Tone | None) -> Readings:
    try:
        together = taken(
            amp, result.readings, parts=result.parts, mains_rms=result.mains,
            mains_accuracy=result.mains_accuracy, tone=tone, source=rows.where,
        )  # fmt: skip
    except ChangeError as error:
        named = error.part.partition(".")[0]
        lines = tuple(one.line for one in result.parts if one.part == named)
        raise ReadingError.of(error, where=rows.where, lines=lines) from error
    return replace(together, notes=implausible(together))


def _one(
    where: str, at: str, line: int, row: Mapping[str, Any], place: str, code: str, meter: Meter, amp: Amp
) -> Reading | PartValue:
    value = _number(row.get("value", ""), QUANTITIES[code].unit, where, at)
    if value < 0 and code in NOT_BELOW_ZERO:
        raise ReadingError(
            f"{QUANTITIES[code].words} of {row.get('value')} is below zero; no meter shows that here",
            where=where, part=at, fix="Leave out the minus sign, or swap the leads and read again",
        )  # fmt: skip
    own = _meter(row, meter, where, at)
    if part_measured(amp, place, code):
        _measurable(amp, place, code, value, where, at)
        return PartValue(place, code, value, own.accuracy, line)
    if code in ("farads", "emission"):
        raise ReadingError(
            f"{QUANTITIES[code].words} is measured on a part, but there is no part '{place[:40]}'",
            where=where, part=at, fix="Name the part, like C14 or V3", near=near_matches(place, amp.parts),
        )  # fmt: skip
    probe = probe_of(amp, place, code, where, at)
    note = as_typed(str(row.get("note", "")), f"{at}, note", where, ReadingError)
    return Reading(probe, value, own, note, line)


def _measurable(amp: Amp, place: str, code: str, value: float, where: str, at: str) -> None:
    part = amp.parts[place]
    kinds = {"ohms": drawn.Resistor | drawn.Potentiometer, "farads": drawn.Capacitor, "emission": drawn.Tube}
    if not isinstance(part, kinds[code]):
        raise ReadingError(
            f"a {part.kind} has no {QUANTITIES[code].words} of its own to measure", where=where, part=at,
            fix="For a reading in the circuit, name the point instead",
        )  # fmt: skip
    nominal = getattr(part, code)
    if not 1 / 300 < value / float(nominal) < 300:
        raise ReadingError(
            f"{place} is {value:g} {UNITS[code]}, by the schematic {float(nominal):g}: wrong unit?",
            where=where, part=at, fix="Write the unit: 4.7k or 22n; an open or shorted part has no value",
        )  # fmt: skip


def _frequency(words: str, where: str, at: str) -> tuple[str, float]:
    """'signal at 80 hz' as the quantity and its frequency; nil for the tone's own."""
    what, at_word, rest = words.partition(" at ")
    if not at_word or what != "signal":
        return words, 0.0
    hertz = rest.removesuffix("hz").strip()
    return what, _number(f"{hertz} Hz", "Hz", where, at)


def _number(raw: Any, unit: str, where: str, at: str) -> float:
    if isinstance(raw, str) and not raw.strip():
        raise ReadingError("there is no value", where=where, part=at, fix="Write it, or delete the row")
    if unit == "ohm" and str(raw).strip().lower() in OPEN_WORDS:
        return OPEN_OHMS
    try:
        return parse(raw, unit) if unit else float(str(raw))
    except InputError as error:
        raise ReadingError.of(error, where=where, part=at) from error
    except ValueError as error:
        raise ReadingError(f"'{raw}' is not a number", where=where, part=at, fix="Write 0.8") from error


def _meter(row: Mapping[str, Any], base: Meter, where: str, at: str) -> Meter:
    meter = base
    if row.get("accuracy", "") != "":
        percent = _number(row["accuracy"], "%", where, at)
        if not 0 < percent <= 50:
            fix = "Write the meter's accuracy like 1 %"
            raise ReadingError(f"no meter has an accuracy of {percent:g} %", where=where, part=at, fix=fix)
        meter = replace(meter, accuracy=percent / 100.0)
    if row.get("input_resistance", "") != "":
        ohms = _number(row["input_resistance"], "ohm", where, at)
        if not 1e3 <= ohms <= 1e13:
            fix = "Write it like 10M; for a pointer meter, multiply ohms per volt by the range"
            raise ReadingError(
                f"no meter has an input resistance of {ohms:g} Ω", where=where, part=at, fix=fix
            )
        meter = replace(meter, input_ohms=ohms)
    return meter


def _mains_of_heading(rows: Rows) -> tuple[float | None, float]:
    known = {"mains", "mains_accuracy", "amp", "date", "by", "note"}
    for key in rows.heading:
        if key not in known:
            raise ReadingError(
                f"unknown entry '{key}'", where=rows.where, part="[readings]",
                fix=f"Write {', '.join(sorted(known))}", near=near_matches(key, known),
            )  # fmt: skip
    if "mains" not in rows.heading:
        return None, MAINS_ACCURACY
    accuracy = MAINS_ACCURACY
    if "mains_accuracy" in rows.heading:
        accuracy = _number(rows.heading["mains_accuracy"], "%", rows.where, "[readings]") / 100.0
    return _number(rows.heading["mains"], "V", rows.where, "[readings] mains"), accuracy


def _tone(table: Mapping[str, Any], amp: Amp, where: str) -> Tone | None:
    if not table:
        return None
    inputs = [jack.designator for jack in drawn.input_jacks(amp.parts)]
    jack = str(table.get("input", ""))
    if jack not in inputs:
        raise ReadingError(
            f"the test tone is at '{jack}', which is not an input jack", where=where, part="tone", code=TONE,
            fix=f"Choose one of {', '.join(inputs)}", near=near_matches(jack, inputs),
        )  # fmt: skip
    values: dict[str, float] = {}
    for key, raw in table.items():
        if key == "input":
            continue
        if key not in TONE_FIELDS:
            raise ReadingError(
                f"a test tone has no '{key}'", where=where, part="tone", code=TONE,
                fix=f"Enter {', '.join(TONE_FIELDS)}", near=near_matches(key, TONE_FIELDS),
            )  # fmt: skip
        name, unit = TONE_FIELDS[key]
        try:
            values[name] = parse(raw, unit, positive=True)
        except InputError as error:
            raise ReadingError.of(error, where=where, part=f"tone {key}", code=TONE) from error
    return Tone(jack, **values)


def _no_duplicates(readings: list[Reading], parts: list[PartValue], where: str) -> None:
    seen: dict[object, int] = {}
    # a voltage between two nodes is the same with its leads swapped
    read = [((r.probe.quantity, *sorted(r.probe.place), r.probe.frequency_hz), str(r.probe), r.line)
            for r in readings]  # fmt: skip
    for key, name, line in [*read, *((p.part, p.part, p.line) for p in parts)]:
        if key in seen:
            raise ReadingError(
                f"there are two readings of {name}: line {seen[key]} and line {line}", where=where,
                code=TWICE, word=name, lines=(seen[key], line),
                fix="Keep the reading you trust; if the amp was changed in between, make two lists",
            )  # fmt: skip
        seen[key] = line

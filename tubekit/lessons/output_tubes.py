"""Lessons 1 and 3: the cathode resistor as an ammeter; fixed bias, cathode bias and the 70 % rule."""

from __future__ import annotations

from functools import partial

from tubekit.devices import tube
from tubekit.lessons.lesson import Asked, Draw, Found, Lesson, Steps, from_file, of_row, practice
from tubekit.lessons.question import Outside
from tubekit.lessons.score import Within
from tubekit.tables import Row, handbook
from tubekit.textbook.bias_stage import BiasStage, bias_stage

RULE = (("6L6GC", 450.0, 21.0), ("6V6GT", 350.0, 8.4), ("EL34", 430.0, 17.5), ("EL84", 320.0, 8.4))
"""Type, plate to cathode [V], 70 % of its rating as the table of practice prints it [W]."""
pair_of_6v6 = partial(bias_stage, "6V6GT", load=8000.0, bypass_f=25e-6, stage="pair")


def cathode_rows(tubes: int = 0) -> list[Row]:
    """Output stages with a screen and a cathode resistor in the handbook; those with `tubes` tubes."""
    rows = [
        row
        for row in handbook("power_tube_operation")
        if all(isinstance(row[each], float) for each in ("Rk_ohm", "Vg2_V"))
    ]
    return [row for row in rows if tubes in (0, tubes_of(row))]


def tubes_of(row: Row) -> int:
    """One, or two for a pair."""
    return 1 if row["config"] == "SE" else 2


def stage_of(row: Row) -> BiasStage:
    """A handbook's output stage solved; plate and screen volts are to the cathode there."""
    lift = row.number("chk_Vk0_V")
    return bias_stage(
        row.text("tube"),
        supply=row.number("Va_V") + lift,
        screen=row.number("Vg2_V") + lift,
        load=5000.0,
        cathode=row.number("Rk_ohm"),
        stage="single" if tubes_of(row) == 1 else "pair",
    )


def stage_words(row: Row) -> str:
    """'one 6L6', 'a pair of EL84'."""
    one = tubes_of(row) == 1
    return f"one {row['tube']}" if one else f"a pair of {row['tube']} sharing one cathode resistor"


def cathode_current(draw: Draw) -> Steps:
    """Volts over ohms."""
    row = draw.one_of(cathode_rows(1))
    volts, ohms = stage_of(row).bias_v, row.number("Rk_ohm")
    yield Asked({"stage": stage_words(row), "volts": volts, "ohms": ohms, "row": row})
    printed = row.number("Ia0_mA") + row.number("Ig20_mA")
    true = volts / ohms
    errors = {"plate": true - stage_of(row).screen_a, "halved": true / 2, "b_plus": row.number("Va_V") / ohms}
    outside = of_row(row, {"current": printed / 1e3}, 6)
    yield Found({"current": true}, outside, errors=errors)


def plate_heat(draw: Draw) -> Steps:
    """Plate to cathode, plate current alone."""
    row = draw.one_of(cathode_rows(2))
    stage = stage_of(row)
    to_ground, each = stage.plate_v + stage.bias_v, stage.bias_v / row.number("Rk_ohm") / 2
    yield Asked({
        "tube": row["tube"], "to_ground": to_ground, "bias": stage.bias_v, "each": each,
        "screen": stage.screen_a,
    })  # fmt: skip
    hasty, watts = to_ground * each, stage.plate_v * stage.plate_a
    outside = of_row(row, {"heat": row.number("chk_Pa0_each_W")}, 6)
    errors = {
        "ground": to_ground * stage.plate_a, "screen": stage.plate_v * each, "hasty": hasty,
        "pair": 2 * watts, "halved": watts / 2,
    }  # fmt: skip
    facts = {"hasty": hasty, "over": hasty / watts - 1}
    yield Found({"heat": watts}, outside, facts, errors=errors)


def drifted(draw: Draw) -> Steps:
    """A resistor that has drifted makes the current look larger."""
    marked, measured = draw.one_of(((270.0, 297.0), (250.0, 300.0), (130.0, 149.5), (470.0, 540.5)))
    volts = draw.one_of((18.5, 15.2, 21.0))
    row = next(r for r in handbook("standards") if r["topic"] == "carbon composition")
    yield Asked({"marked": marked, "measured": measured, "volts": volts})
    facts = {"true": volts / measured, "hasty": volts / marked, "row": row}
    errors = {"reverse": 100 * (1 - marked / measured), "ohms": measured - marked}
    yield Found({"over": 100 * (measured / marked - 1)}, of_row(row, {}), facts, errors=errors)


def seventy(draw: Draw) -> Steps:
    """The current at 70 % of the plate's rating."""
    type_, volts, watts = draw.one_of(RULE)
    rated = float(tube(type_).ratings.plate_w or 0.0)
    row = handbook("practice", topic="dissipation table W")[0]
    yield Asked({"type": type_, "volts": volts, "rated": rated})
    outside = of_row(row, {"current": watts / volts}, 3)
    true = 0.7 * rated / volts
    errors = {"full": rated / volts, "pair": 2 * true, "halved": true / 2}
    yield Found({"current": true}, outside, {"part": 0.7 * rated, "watts": watts}, errors=errors)


def share(draw: Draw) -> Steps:
    """How hot makers run cathode bias."""
    row = draw.one_of(sorted(cathode_rows(), key=lambda r: (r["tube"], r["config"]) != ("6L6", "PP")))
    stage = stage_of(row)
    rated = float(stage.ratings.plate_w or 1.0)
    yield Asked({
        "stage": stage_words(row), "tubes": "the tube" if tubes_of(row) == 1 else "each tube", "row": row,
        "volts": stage.bias_v, "rated": rated,
    })  # fmt: skip
    printed = 100 * row.number("chk_Pa0_each_W") / rated
    watts = stage.plate_v * stage.plate_a
    both = 100 * stage.plate_v * stage.bias_v / row.number("Rk_ohm") / rated
    errors = {"screen": both / tubes_of(row), "low_rule": 70.0}
    errors |= {"pair": both} if tubes_of(row) > 1 else {}
    outside = of_row(row, {"share": printed}, 7)
    yield Found({"share": 100 * stage.shares[0]}, outside, {"watts": watts}, errors=errors)


def worn(draw: Draw) -> Steps:
    """Fixed bias follows the emission, cathode bias pulls against it."""
    emission = draw.one_of((0.67, 0.5, 0.8))
    yield Asked({"emission": emission})
    new, old = (pair_of_6v6(supply=270.0, screen=270.0, cathode=270.0, emission=e) for e in (1.0, emission))
    still = {"plate": new.plate_v, "screen": new.screen_v, "grid": -new.bias_v}
    type_ = tube("6V6GT")
    fixed = float(type_.aged(emission=emission).at(**still).plate_a / type_.at(**still).plate_a)
    outside = Outside("", "by definition", "computed", {"fixed": 100 * emission}, Within(3))
    yield Found(
        {"fixed": 100 * fixed, "held": 100 * old.plate_a / new.plate_a},
        outside,
        {"before": new.bias_v, "after": old.bias_v},
        errors={"same": {"held": 100 * emission}, "all": {"fixed": 100.0}, "steady": {"held": 100.0}},
    )


def next_value(draw: Draw) -> Steps:
    """Twenty per cent more resistance, not twenty per cent less current."""
    before, after = draw.one_of(((270.0, 330.0), (250.0, 300.0), (270.0, 220.0), (330.0, 470.0)))
    yield Asked({"before": before, "after": after})
    one, two = _at(before), _at(after)
    true, alone = 100 * (two.plate_a / one.plate_a - 1), before / after - 1
    facts = {
        "one": one.plate_a, "two": two.plate_a, "one_v": one.bias_v, "two_v": two.bias_v, "alone": alone
    }  # fmt: skip
    errors = {"alone": 100 * alone, "sign": -true, "none": 0.0}
    yield Found({"change": true}, facts=facts, errors=errors)


def four_ohms(draw: Draw) -> Steps:
    """A resistor a little off is left alone."""
    extra = draw.one_of((4.0, 3.0, 5.0))
    yield Asked({"measured": 250 + extra})
    change = 100 * (_at(250.0 + extra).plate_a / _at(250.0).plate_a - 1)
    key = "little" if abs(change) < 2 else "some" if abs(change) < 8 else "much"
    yield Found(key, practice("little"), {"change": change})


def _at(ohms: float) -> BiasStage:
    return pair_of_6v6(supply=285.0, screen=285.0, cathode=ohms)


IDLE_CURRENT = Lesson(
    "01", (cathode_current, plate_heat, from_file("01", "one_ohm"), drifted, from_file("01", "where_to_clip"))
)
BIAS = Lesson("03", (seventy, share, from_file("03", "rule"), worn, next_value, four_ohms))

"""Lesson 14: a job from the door to hand-back, step by step as its journal has it."""

from __future__ import annotations

from functools import cache

from tubekit.amp import analyze
from tubekit.files import data_file
from tubekit.jobs.job import Job, open_job
from tubekit.lessons.lesson import Asked, Draw, Found, Lesson, Steps, from_file, practice, textbook, words_of
from tubekit.lessons.question import Outside
from tubekit.lessons.score import Within
from tubekit.units import parse

FOLDER = "teasel-runs-hot"


@cache
def job() -> Job:
    """The job, read from its journal."""
    return open_job(data_file("jobs", FOLDER))


def as_found() -> dict[str, float]:
    """The readings it came with."""
    return {row["place"]: float(row["value"].split()[0]) for row in job().of_kind("readings")[0]["rows"]}


def should_read(draw: Draw) -> Steps:
    """What a place reads on today's line voltage if nothing is wrong."""
    place, words = draw.one_of(tuple(words_of("14")["places"].items()))
    found, line = as_found(), as_found()["mains"]
    home = float(analyze(job().drawn).node(place).dc_v)
    yield Asked({"place": words, "line": line, "home": home, "complaint": job().first["complaint"]})
    volts = float(analyze(job().drawn.changed(mains_rms=line)).node(place).dc_v)
    times = line / job().drawn.design_mains_rms
    errors = {"design": home, "square": home * times**2, "inverse": home / times, "found": found[place]}
    facts = {"found": found[place], "off": found[place] / volts - 1}
    yield Found({"volts": volts}, textbook({"volts": home * times}, 2), facts, errors=errors)


def kept(draw: Draw) -> Steps:  # noqa: ARG001 - every question draws, this one has no variants
    """Which part of those that were measured stays."""
    read = {row["place"]: row["value"] for each in job().of_kind("readings")[1:] for row in each["rows"]}
    drawn = float(job().drawn.parts["R14"].ohms)  # type: ignore[attr-defined]
    yield Asked({"grid": read["g3"], "c14": parse(read["C14"], "F"), "r14": read["R14"], "drawn": drawn})
    stays = next(each.part for each in job().decisions if each.state == "kept")
    of = {each.part: {"reason": each.why} for each in job().decisions}
    within = abs(float(read["R14"]) / drawn - 1) <= 0.1
    yield Found("R14" if within else "C14", practice(stays), {"of": of})


def coming_up(draw: Draw) -> Steps:
    """B+ on the way up, by the sheet that the journal keeps."""
    sheet = job().of_kind("sheet")[0]
    rows = [row for row in sheet["steps"] if row.get("place") == "B1"]
    row = draw.one_of((rows[1], rows[0], rows[2]))
    full, share = rows[-1]["expect"], (1 + rows.index(row)) / len(rows)
    step = next(e for e in job().of_kind("step") if e["name"] == sheet["name"] and e["step"] == row["number"])
    yield Asked({"share": share, "full": full, "line": share * sheet["line_v"]})
    read = float(step["value"])
    outside = Outside(
        "", f"the journal of the job, entry {step.number} (invented)", "computed", {"volts": read}, Within(5)
    )
    errors = {"proportion": share * full, "full": full, "none": 0.0}
    yield Found({"volts": row["expect"]}, outside, {"read": read}, errors=errors)


def pickup(draw: Draw) -> Steps:  # noqa: ARG001 - every question draws, this one only an order
    """What is still on the amp."""
    yield Asked({})
    fitted = job().of_kind("temporary")[0]["text"]
    yield Found("lamp" if "lamp" in fitted else "nothing", practice("lamp"), {"fitted": fitted})


FULL_JOB = Lesson(
    "14", (from_file("14", "first"), should_read, from_file("14", "next_place"), kept, coming_up, pickup)
)

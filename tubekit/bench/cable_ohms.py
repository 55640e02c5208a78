"""Continuity read in ohms: where the meter would beep, and what lies between a beep and an open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tubekit.amp import Amp
from tubekit.bench.cable_graph import Pair, cable_graph, joined_pairs, pins
from tubekit.decisions.probe import OPEN_OHMS
from tubekit.errors import ReadingError
from tubekit.units import mark, parse, show

BEEPS_BELOW = 30.0
"""A meter beeps below this [Ω] (common practice, no source: makers set it at 20 to 100)."""
GOOD_WIRE = 1.0
"""A wire of a cable with its two joints and the meter's own leads stays below this [Ω] (common practice, no
source; ten feet of AWG 18 have 0.07 Ω, from the resistivity of copper)."""
OPEN_WORDS = ("open", "ol", "over", "infinite")


def ohms_said(text: object) -> float:
    """Ohms as written: '0.3', '12', '220k', 'open'.

    Raises
    ------
    ReadingError : neither ohms nor 'open'.

    Examples
    --------
    >>> ohms_said("0.3"), ohms_said("open") >= OPEN_OHMS
    (0.3, True)
    """
    words = str(text).strip()
    if words.lower() in OPEN_WORDS:
        return OPEN_OHMS
    try:
        result = parse(words, "ohm")
    except Exception as error:
        raise ReadingError(
            f"'{words[:20]}' is not a resistance", fix="Write ohms as 0.3 or 220k, or open"
        ) from error
    if result < 0:
        raise ReadingError(f"{words} is below zero", fix="Leave out the minus sign, or zero the meter")
    return result


def poor_joints(amp: Amp, ohms: Mapping[Pair, float]) -> Iterator[str]:
    """List the poor joints and leaks that the ohms show, one sentence each.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> next(poor_joints(load_amp("fescue"), {frozenset(("P2.7", "P3.7")): 12.0}))[:59]
    'P2.7 to P3.7 reads 12.0 Ω: connected, but should read under'
    """
    drawn = joined_pairs(cable_graph(amp), pins(amp))
    for pair, value in ohms.items():
        one, two = sorted(pair)
        read = f"{one} to {two} reads {show(value, 'ohm')}"
        if GOOD_WIRE < value < BEEPS_BELOW:
            yield (
                f"{read}: connected, but should read under {mark(GOOD_WIRE, 'ohm')}. "
                "Look for a cracked joint, broken strands or a dirty pin."
            )
        elif BEEPS_BELOW <= value < OPEN_OHMS:
            where = "a wire that hardly makes contact" if pair in drawn else "damp, burnt or dirty insulation"
            yield (
                f"{read}: a high-resistance joint or leakage. The cause is {where}; or a plug is still in."
            )

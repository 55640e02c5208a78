"""From the place and the words of a reading to a probe of the amp."""

from __future__ import annotations

from collections.abc import Mapping

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.errors import ReadingError, near_matches

WORDS: Mapping[str, str] = {q.words.lower(): code for code, q in QUANTITIES.items()} | {
    "dc": "dc_v", "volts dc": "dc_v", "ac": "ac_rms_v", "volts ac": "ac_rms_v", "ripple": "ripple_pp_v",
    "ohms": "ohms", "signal rms": "signal_rms_v", "dc current": "dc_a", **{code: code for code in QUANTITIES},
}  # fmt: skip
TERMINALS = ("cathode", "plate", "screen", "grid")
SHORT = {
    "k": "cathode", "p": "plate", "a": "plate", "s": "screen", "g2": "screen", "g": "grid", "g1": "grid",
}  # fmt: skip
"""One letter for an electrode, as 'V3.k'."""
PART_FIELDS = {"ohms": "ohms", "farads": "farads", "emission": "emission"}


def quantity_of(words: object, where: str, part: str) -> str:
    """The quantity that words of a list mean.

    Raises
    ------
    ReadingError : none of the quantities (near matches listed).
    """
    text = " ".join(str(words).split()).lower()
    if text in WORDS:
        return WORDS[text]
    lines = [q.words for q in QUANTITIES.values()]
    raise ReadingError(
        f"unknown quantity '{str(words)[:40]}'", where=where, part=part,
        fix=f"Write one of {', '.join(lines)}", near=near_matches(text, lines),
    )  # fmt: skip


def part_measured(amp: Amp, place: str, code: str) -> bool:
    """Whether this is a part by itself (a lead lifted, out of its socket), not a place in the circuit."""
    return place in amp.parts and code in PART_FIELDS


def electrodes(amp: Amp) -> dict[str, str]:
    """'V1a plate' to its node, for every section of every tube.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> electrodes(load_amp("teasel"))["V1a plate"]
    'p1a'
    """
    return {
        f"{section.name} {terminal}": str(node)
        for part in amp.parts.values() if isinstance(part, Tube) and not isinstance(part, RectifierTube)
        for section in part.sections
        for terminal in ("plate", "screen", "grid", "cathode")
        if (node := getattr(section, terminal)) not in (None, GROUND)
    }  # fmt: skip


def electrode(words: str) -> str:
    """An electrode as `electrodes` names it, however it was typed.

    Examples
    --------
    >>> electrode("v1A Plate"), electrode("V3.k"), electrode("V3 g2")
    ('V1a plate', 'V3 cathode', 'V3 screen')
    """
    name, _, terminal = words.replace(".", " ").partition(" ")
    terminal = terminal.strip().lower()
    return f"{name[:1].upper()}{name[1:].lower()} {SHORT.get(terminal, terminal)}"


def probe_of(amp: Amp, place: str, code: str, where: str, part: str) -> Probe:
    """The probe at a place: a node, 'B1 to B2', a test point, a part (across its two ends), 'V3.k', a tube.

    Raises
    ------
    ReadingError : no such node, part or tube (near matches listed).

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> amp = load_amp("teasel")
    >>> print(probe_of(amp, "TP13", "dc_v", "", ""), "|", probe_of(amp, "V3 screen", "dc_a", "", ""))
    DC volts, B1 to B2 | screen current of V3
    """
    if code == "dc_a":
        return Probe(code, _electrode(amp, place, where, part))
    ends = _nodes(amp, place)
    for node in ends:
        if node != GROUND and node not in amp.nodes:
            raise ReadingError(
                f"nothing in {amp.title} is called '{node[:40]}'", where=where, part=part,
                fix="Write a point of the schematic, 'B1 to B2', a test point, or a part with two ends",
                near=near_matches(node, (*amp.nodes, *amp.test_points, *amp.parts)),
            )  # fmt: skip
    if ends[0] == ends[1]:
        raise ReadingError(
            f"both leads are on '{ends[0]}'", where=where, part=part, fix="Name two points: 'B1 to B2'"
        )
    return Probe(code, ends)


def _nodes(amp: Amp, place: str) -> tuple[str, str]:
    if place in amp.nodes:
        return place, GROUND
    if place in amp.test_points:
        nodes = amp.test_points[place].nodes
        return nodes[0], nodes[1] if len(nodes) > 1 else GROUND
    result = amp.parts.get(place)
    if isinstance(result, drawn.TwoTerminal):
        return result.a, result.b
    one, to, two = place.partition(" to ")
    known = electrodes(amp)
    ends = [known.get(end) or known.get(electrode(end), end) for end in (one.strip(), two.strip())]
    return ends[0], (ends[1] or GROUND) if to else GROUND


def _electrode(amp: Amp, place: str, where: str, part: str) -> tuple[str, str]:
    words = place.split()
    sections = [
        s.name for p in amp.parts.values()
        if isinstance(p, Tube) and not isinstance(p, RectifierTube) for s in p.sections
    ]  # fmt: skip
    if words and words[0] not in sections:
        words = electrode(place).split()
    terminal = words[1].lower() if len(words) > 1 else "cathode"
    if words and words[0] in sections and terminal in TERMINALS and len(words) <= 2:
        return words[0], terminal
    raise ReadingError(
        f"'{place[:40]}' is not a tube section whose current you can measure", where=where, part=part,
        fix=f"Write a section ({', '.join(sections)}), then plate, screen or cathode",
        near=near_matches(words[0] if words else "", sections),
    )  # fmt: skip

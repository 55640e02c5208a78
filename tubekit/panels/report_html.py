"""Reports as HTML: an amp in words, its idle page, the verdict on a swap, findings and tables."""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator

import numpy as np

from tubekit.amp import Amp, AmpReport
from tubekit.amp.parts import Jack, Loudspeaker, PowerTransformer, Switch
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.readings import outside_note
from tubekit.decisions import SwapReport
from tubekit.decisions.limits import Limits, limits
from tubekit.panels.markup import headline, item, listed, paragraph, section
from tubekit.panels.part_settings import short_role
from tubekit.text import CAUTION, Column, Table, caution_html, danger_html, headed

SAYS = {"stop": "STOP", "exceeded": "EXCEEDED", "at limit": "AT LIMIT", "near": "NEAR", "note": "note"}
GRAVEST = 5


def about_html(amp: Amp) -> str:
    """Who made it, with which tubes and controls."""
    made = ", ".join(part for part in (amp.maker, amp.town, amp.year) if part)
    story = paragraph(f"{made}. {amp.story}") if made or amp.story else ""
    items = "".join(
        f"<tr><th>{word}</th><td>{html.escape(what)}</td></tr>" for word, what in facts(amp) if what
    )
    table = f'<table class="tubekit-table tubekit-facts"><tbody>{items}</tbody></table>'
    return section(headline(amp.title), story, table)


def facts(amp: Amp) -> Iterator[tuple[str, str]]:
    """What an amp has, as (word, list).

    Examples
    --------
    >>> from tubekit import load_amp
    >>> dict(facts(load_amp("vetch")))["controls"]
    'R31 volume, R32 tone'
    """
    parts = list(amp.parts.values())
    yield "designed for", f"{amp.design_mains_rms:g} V, {amp.mains_hz:g} Hz; {len(parts)} parts"
    yield "tubes", ", ".join(_tube(part) for part in parts if isinstance(part, Tube))
    yield (
        "controls",
        ", ".join(f"{part.designator} {short_role(part)}" for part in parts if part.is_control),
    )
    switches = (part for part in parts if isinstance(part, Switch))
    yield (
        "switches",
        ", ".join(f"{part.designator} {part.role or 'switch'} ({part.position})" for part in switches),
    )
    jacks = (part for part in parts if isinstance(part, Jack))
    yield "jacks", ", ".join(f"{part.designator} {short_role(part)}" for part in jacks)
    yield (
        "speaker",
        ", ".join(
            f"{part.designator} {float(np.mean(part.ohms)):g} Ω"
            for part in parts
            if isinstance(part, Loudspeaker)
        ),
    )
    yield (
        "power transformer",
        ", ".join(
            f"{part.designator}: {', '.join(one.name.replace('_', ' ') for one in part.windings[1:])}"
            for part in parts
            if isinstance(part, PowerTransformer)
        ),
    )


def _tube(part: Tube) -> str:
    kind = part.type if isinstance(part.type, str) else part.type[0]
    return f"{part.designator} {kind}" + (f" ({short_role(part)})" if part.role else "")


def idle_html(report: AmpReport) -> str:
    """Dangers, idle volts, what the check says, which ratings are strained, and the caution."""
    checked = check_html(report.amp, limits(report))
    return danger_html(report.dangers) + tables_html(idle_tables(report)) + checked + caution_html(CAUTION)


def idle_tables(report: AmpReport) -> list[Table]:
    """Rails and tubes as a meter on the chassis shows them, with the maker's print where there is one."""
    return [_rails(report), _tubes(report), *_printed(report)]


def _rails(report: AmpReport) -> Table:
    rows = [(one.node, one.capacitor, one.dc_v, one.ripple_pp_v) for one in report.rails]
    columns = headed("B+", "capacitor", "DC [V]", "ripple p-p [V]")
    return Table("B+ at idle, volts to ground", columns, rows)


def _tubes(report: AmpReport) -> Table:
    return Table.of(
        "Tubes at idle", report.tubes, "tube=marked", "type=types", "plate_ground_v", "screen_ground_v",
        "cathode_v", "cathode_a", "plate_w", "plate_share", note=outside_note(report.tubes),
    )  # fmt: skip


def _printed(report: AmpReport) -> Iterator[Table]:
    """What the drawing prints beside what was worked out; only on the line it was printed for."""
    if report.amp.mains_rms != report.amp.design_mains_rms:
        return
    rows = []
    for name, point in report.amp.test_points.items():
        volts = [report.node(node).dc_v for node in point.nodes]
        worked_out = volts[0] - (volts[1] if len(volts) > 1 else 0.0)
        rows.append(
            (name, " to ".join(point.nodes), point.volts, worked_out, 100 * (worked_out / point.volts - 1))
        )
    if rows:
        columns = (
            Column("point"),
            Column("at"),
            Column("schematic", "V"),
            Column("calculated", "V"),
            Column("off", "%", 2),
        )
        yield Table("Compared with the voltages on the schematic", columns, rows)


def check_html(amp: Amp, found: Limits) -> str:
    """Notes of the check and the ratings that are exceeded or near; dangers stand at the amp's name."""
    lines = [("note", note.text) for note in amp.notes]
    lines += [(one.state, one.sentence()) for one in found.exceeded[:GRAVEST]]
    lines += [(one.state, one.sentence()) for one in found.near[:GRAVEST]]
    none = "" if amp.notes or amp.dangers else "<p>No errors found in the schematic.</p>"
    return section(headline(found.headline()), none, findings_list(lines))


def verdict_html(report: SwapReport) -> str:
    """The headline and every finding, the gravest first; the word stands before each."""
    return section(headline(report.headline()), findings_html(report), live=True)


def findings_html(report: SwapReport) -> str:
    """Every finding alone, the gravest first; '' where there is none."""
    return findings_list((finding.weight, finding.text) for finding in report.verdict)


def findings_list(lines: Iterable[tuple[str, str]]) -> str:
    """Lines of (grade, words), the grade in words before each; '' where there are none."""
    return listed(item(words, SAYS[grade], grade) for grade, words in lines)


def measure_html(report: SwapReport) -> str:
    """What to measure, with the standing caution where the hand would go."""
    return tables_html([report.to_measure()]) + caution_html(CAUTION)


def tables_html(tables: Iterable[Table]) -> str:
    """Tables one below the other."""
    return section(*(table.html() for table in tables))

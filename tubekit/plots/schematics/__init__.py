"""Schematic drawings of an amp: one stage, the supply, or everything, with the volts at every node."""

from __future__ import annotations

from tubekit.amp import Amp
from tubekit.errors import InputError
from tubekit.plots.ink import Drawing
from tubekit.plots.schematics.sections import section_map
from tubekit.plots.schematics.view import PAPERS, Result, View, title
from tubekit.text import Table, headed

__all__ = ["schematic", "schematic_pages", "schematic_sections", "schematic_table", "section_of"]


def schematic(result: Result, section: str | None = None, *, member: int = 0) -> Drawing:
    """The schematic of an amp, or of one section of it, with the DC volts at every node.

    Parameters
    ----------
    result
        An amp (drawn without volts), its report, or a swap (volts before → after, changed parts marked with
        what they were).
    section
        A name from `schematic_sections`, or the designator of any part: the section that draws it. None: the
        whole amp, stages in signal order, then the supply and the heaters.
    member
        Which amp of a batch.

    Returns
    -------
    Drawing
        Figure, axes (one per section), lines (its texts). A part that two stages share is drawn with each of
        them where they are drawn alone, once on the whole sheet.

    Raises
    ------
    InputError
        No such section or part; near matches listed.

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> drawing = plots.schematic(load_amp("teasel"), "R14")
    >>> drawing.words[:39]
    'Schematic of Ottermere Teasel, V3 V4 (6'
    """
    view = View(result, member)
    if section is None:
        return view.whole()
    return view.one(view.section(section))


def schematic_pages(result: Result, *, paper: str = "A4", member: int = 0) -> tuple[Drawing, ...]:
    """The whole schematic on pages to print, 'A4' or 'Letter', lying or upright: whichever takes fewer pages.

    Parameters
    ----------
    result
        An amp, or a report or swap of one.
    paper
        'A4' or 'Letter'.
    member
        Which amp of a batch.

    Returns
    -------
    tuple[Drawing, ...]
        One drawing a page.

    Raises
    ------
    InputError
        A paper that is neither.

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> page = plots.schematic_pages(load_amp("teasel"))[0]
    >>> sorted(round(float(inches), 2) for inches in page.figure.get_size_inches())
    [8.27, 11.69]
    """
    if paper not in PAPERS:
        raise InputError(f"there is no paper size {paper!r}", fix="Write one of: " + ", ".join(PAPERS))
    return View(result, member).pages(*PAPERS[paper])


def schematic_sections(amp: Amp) -> dict[str, str]:
    """Name and title of every section of an amp's schematic, in the order of the whole sheet.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.

    Returns
    -------
    dict[str, str]
        Name of each section to its title.

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> plots.schematic_sections(load_amp("teasel"))["V3 V4"]
    'V3 V4 (6V6GT): output tube'
    """
    return {one.name: title(amp, one) for one in section_map(amp).sections}


def section_of(amp: Amp, part: str) -> str:
    """Name of the section that draws a part as its own, or that goes by that name.

    Raises
    ------
    InputError : no such section or part; near matches listed.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> section_of(load_amp("teasel"), "R14"), section_of(load_amp("teasel"), "T1")
    ('V3 V4', 'supply')
    """
    return View(amp, 0).section(part).name


def schematic_table(result: Result, section: str | None = None, *, member: int = 0) -> Table:
    """The volts of a schematic as a table, for whoever cannot see the drawing: node, volts, what meets there.

    Parameters
    ----------
    result
        An amp, or a report or swap of one.
    section
        Name of a section or designator of a part; the whole amp when not given.
    member
        Which amp of a batch.

    Returns
    -------
    Table
        A row for each node.

    Examples
    --------
    >>> from tubekit import analyze, load_amp, plots
    >>> table = plots.schematic_table(analyze(load_amp("teasel")), "V1a")
    >>> [row[0] for row in table.rows][:3]
    ['in_high', 'in_low', 'g1a']
    """
    view = View(result, member)
    chosen = view.map.sections if section is None else (view.section(section),)
    meets: dict[str, list[str]] = {}
    for one in chosen:
        for item in (*one.tubes, *one.items, *one.onward):
            label = " ".join(line.text for line in view.reader.label(item))
            for node in item.nodes:
                if node != "ground" and label not in meets.setdefault(node, []):
                    meets[node].append(label)
    order = {node: place for place, node in enumerate(view.reader.amp.nodes)}
    rows = [
        (node, view.reader.volts(node), ", ".join(meets[node]))
        for node in sorted(meets, key=lambda n: order.get(n, 0))
    ]
    return Table("Schematic voltages, to ground", headed("node", "volts", "parts connected there"), rows)

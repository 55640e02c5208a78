"""Stages with a load in the cathode: follower, split-load inverter, long-tailed pair."""

from __future__ import annotations

from tubekit.analyses.loadline import AnyTube, section_law, type_name
from tubekit.circuit.parts import GROUND, Capacitor, Device, Part, Resistor, Value, VoltageSource
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.errors import InputError
from tubekit.textbook.circuit import COUPLING, TextbookCircuit, coupled, fully_driven, parts_of


def cathode_follower(
    tube: AnyTube,
    *,
    supply: Value,
    cathode: Value,
    bias: Value | None = None,
    grid: Value | None = None,
    next_grid: Value | None = None,
    drive: Value | None = None,
    emission: float = 1.0,
    spread: float = 1.0,
) -> TextbookCircuit:
    """A triode with its load in the cathode: gain just below one, output at the cathode.

    Parameters
    ----------
    tube
        Type, record or law.
    supply
        B+ to ground [V].
    cathode
        Load resistor `R1` [Ω].
    bias
        Resistor `R2` [Ω] between cathode and load, whose lower end the grid leak returns to.
    grid
        DC voltage of the grid to ground [V], directly coupled; give this or `bias`.
    next_grid
        `R3` [Ω] behind a coupling capacitor.
    drive
        Peak at the grid [V]; full drive when not given.
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.
    spread
        Current compared with the mean tube of the type, 1 for the mean.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Examples
    --------
    >>> from tubekit import textbook
    >>> follower = textbook.cathode_follower("12AX7", supply=300, cathode=1e5, grid=150)
    >>> 0.95 < textbook.solve(follower).gain < 1.0
    True
    """
    law = triode_law(tube, emission, spread)
    if (bias is None) == (grid is None):
        raise InputError(
            "needs bias= or grid=",
            part=type_name(tube),
            fix="Give the bias resistor in ohms, or the grid's volts to ground",
        )
    after = [] if next_grid is None else coupled("cathode", "out", "3", next_grid)
    parts = parts_of(
        VoltageSource("B", "b_plus", GROUND, supply), grid_and_cathode(cathode, bias, grid), after,
        Device("V1", law, ("b_plus", "grid"), "cathode"),
    )  # fmt: skip
    circuit = TextbookCircuit(
        parts, f"{type_name(tube)} cathode follower", input="in" if grid is None else "grid",
        output=("cathode" if next_grid is None else "out", GROUND),
    )  # fmt: skip
    return fully_driven(circuit, drive)


def split_load(
    tube: AnyTube,
    *,
    supply: Value,
    load: Value,
    bias: Value | None = None,
    grid: Value | None = None,
    next_grid: Value | None = None,
    drive: Value | None = None,
    emission: float = 1.0,
    spread: float = 1.0,
) -> TextbookCircuit:
    """A split-load inverter: equal resistors `load` [Ω] in plate and cathode, two outputs in opposite phase.

    `bias`, `grid` and `next_grid` (of each output) as in `cathode_follower`. The output is read from plate
    to cathode side: twice the gain of one.

    Parameters
    ----------
    tube
        Type, record or law.
    supply
        B+ to ground [V].
    load
        Plate resistor and cathode resistor, each [Ω].
    bias
        Resistor [Ω] between cathode and load, whose lower end the grid leak returns to.
    grid
        DC voltage of the grid to ground [V], directly coupled; give this or `bias`.
    next_grid
        Of each output [Ω].
    drive
        Peak at the grid [V]; full drive when not given.
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.
    spread
        Current compared with the mean tube of the type, 1 for the mean.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Examples
    --------
    >>> from tubekit import textbook
    >>> inverter = textbook.split_load("12AX7", supply=300, load=56e3, grid=80)
    >>> 1.8 < textbook.solve(inverter).gain < 2.0
    True
    """
    law = triode_law(tube, emission, spread)
    if (bias is None) == (grid is None):
        raise InputError(
            "needs bias= or grid=",
            part=type_name(tube),
            fix="Give the bias resistor in ohms, or the grid's volts to ground",
        )
    after = []
    if next_grid is not None:
        after = coupled("plate", "out1", "4", next_grid) + coupled("cathode", "out2", "5", next_grid)
    parts = parts_of(
        VoltageSource("B", "b_plus", GROUND, supply), Resistor("R3", "b_plus", "plate", load),
        grid_and_cathode(load, bias, grid), after, Device("V1", law, ("plate", "grid"), "cathode"),
    )  # fmt: skip
    circuit = TextbookCircuit(
        parts, f"{type_name(tube)} split-load inverter", input="in" if grid is None else "grid",
        output=("plate", "cathode") if next_grid is None else ("out1", "out2"),
    )  # fmt: skip
    return fully_driven(circuit, drive)


def long_tailed_pair(
    tube: AnyTube,
    *,
    supply: Value,
    plate_load: Value,
    plate_load_2: Value | None = None,
    cathode: Value,
    tail: Value,
    next_grid: Value | None = None,
    drive: Value | None = None,
    emission: float = 1.0,
    spread: float = 1.0,
) -> TextbookCircuit:
    """A long-tailed pair driven at its first grid; output between the plates (or the next grids).

    Parameters
    ----------
    tube
        Type, record or law.
    supply
        B+ to ground [V].
    plate_load
        Plate resistor of the driven section [Ω].
    plate_load_2
        Plate resistor of the other section [Ω]; the same when not given.
    cathode
        Bias resistor [Ω], to whose lower end both grid leaks return.
    tail
        Resistor from there to ground [Ω].
    next_grid
        Of each output [Ω].
    drive
        Peak at the grid [V]; full drive when not given.
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.
    spread
        Current compared with the mean tube of the type, 1 for the mean.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Examples
    --------
    >>> from tubekit import textbook
    >>> pair = textbook.long_tailed_pair("12AX7", supply=320, plate_load=82e3, plate_load_2=1e5,
    ...                                  cathode=470, tail=12e3)
    >>> 45 < textbook.solve(pair).gain < 75
    True
    """
    law = triode_law(tube, emission, spread)
    after = []
    if next_grid is not None:
        after = coupled("plate1", "out1", "7", next_grid) + coupled("plate2", "out2", "8", next_grid)
    parts = parts_of(
        VoltageSource("B", "b_plus", GROUND, supply), VoltageSource("E1", "in", GROUND, ac=1.0),
        Resistor("R1", "b_plus", "plate1", plate_load),
        Resistor("R2", "b_plus", "plate2", plate_load if plate_load_2 is None else plate_load_2),
        Resistor("R3", "cathode", "foot", cathode), Resistor("R4", "foot", GROUND, tail),
        Resistor("R5", "grid1", "foot", 1e6), Resistor("R6", "grid2", "foot", 1e6),
        Capacitor("C1", "in", "grid1", COUPLING), Capacitor("C2", "grid2", GROUND, COUPLING), after,
        Device("V1a", law, ("plate1", "grid1"), "cathode"),
        Device("V1b", law, ("plate2", "grid2"), "cathode"),
    )  # fmt: skip
    circuit = TextbookCircuit(
        parts, f"{type_name(tube)} long-tailed pair", input="in",
        output=("plate1", "plate2") if next_grid is None else ("out1", "out2"),
    )  # fmt: skip
    return fully_driven(circuit, drive)


def triode_law(tube: AnyTube, emission: float, spread: float) -> Triode:
    """The law of a triode section; a pentode is refused."""
    law = section_law(tube, emission, spread)
    if isinstance(law, Pentode):
        raise InputError("is no triode", part=type_name(tube), fix="Use a triode here")
    return law


def grid_and_cathode(load: Value, bias: Value | None, grid: Value | None) -> list[Part]:
    """Load, bias and signal: directly coupled, or through a capacitor with the leak at the load's top."""
    if bias is None:
        return [
            Resistor("R1", "cathode", GROUND, load),
            VoltageSource("E1", "grid", GROUND, 0.0 if grid is None else grid, 1.0),
        ]
    return [
        Resistor("R1", "foot", GROUND, load), Resistor("R2", "cathode", "foot", bias),
        Resistor("R6", "grid", "foot", 1e6), Capacitor("C1", "in", "grid", COUPLING),
        VoltageSource("E1", "in", GROUND, ac=1.0),
    ]  # fmt: skip


def rc_stage(
    tube: AnyTube,
    *,
    supply: Value,
    plate_load: Value,
    cathode: Value,
    next_grid: Value | None = None,
    bypassed: bool = True,
    screen: Value | None = None,
    screen_resistor: Value | None = None,
    drive: Value | None = None,
    emission: float = 1.0,
    spread: float = 1.0,
) -> TextbookCircuit:
    """A resistance-coupled stage, as the charts of tube manuals tabulate them.

    Any number may be an array (N,): a batch of stages.

    Parameters
    ----------
    tube
        Type, record or law.
    supply
        B+ [V].
    plate_load
        `R1` [Ω].
    cathode
        `R2` [Ω].
    next_grid
        `R3` [Ω], behind a coupling capacitor.
    bypassed
        Whether a capacitor bridges the cathode resistor.
    screen
        Screen supply to ground [V]; a pentode without it has its screen on `screen_resistor`.
    screen_resistor
        From B+ to the screen, bypassed [Ω].
    drive
        Peak at the grid [V]; up to zero bias where not given.
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.
    spread
        Current compared with the mean tube of the type, 1 for the mean.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Raises
    ------
    InputError
        A screen for a triode, none for a pentode.

    Examples
    --------
    >>> from tubekit import textbook
    >>> stage = textbook.rc_stage("12AX7", supply=250, plate_load=1e5, cathode=1500, next_grid=3.3e5)
    >>> result = textbook.solve(stage)
    >>> 0.80e-3 < result.plate_a < 0.92e-3, 50 < result.gain < 59  # maker table: 0.86 mA, 54.5
    (True, True)
    """
    law = section_law(tube, emission, spread)
    after: list[Part] = [] if next_grid is None else coupled("plate", "out", "3", next_grid)
    nodes = ("plate", "grid") if isinstance(law, Triode) else ("plate", "screen", "grid")
    parts = parts_of(
        VoltageSource("B", "b_plus", GROUND, supply), Resistor("R1", "b_plus", "plate", plate_load),
        Resistor("R2", "cathode", GROUND, cathode),
        Capacitor("C1", "cathode", GROUND, COUPLING) if bypassed else None,
        _screen(tube, law, screen, screen_resistor, bypassed), after,
        VoltageSource("E1", "grid", GROUND, ac=1.0), Device("V1", law, nodes, "cathode"),
    )  # fmt: skip
    circuit = TextbookCircuit(
        parts, f"{type_name(tube)} resistance-coupled", input="grid",
        output=("plate" if next_grid is None else "out", GROUND),
    )  # fmt: skip
    return fully_driven(circuit, drive)


def _screen(
    tube: AnyTube, law: Triode | Pentode, volts: Value | None, ohms: Value | None, bypassed: bool
) -> list[Part]:
    given = [value for value in (volts, ohms) if value is not None]
    if isinstance(law, Triode):
        if given:
            raise InputError(
                "a triode has no screen", part=type_name(tube), fix="Leave screen= and screen_resistor= out"
            )
        return []
    if len(given) != 1:
        raise InputError(
            "needs a way to feed its screen", part=type_name(tube),
            fix="Give screen_resistor= from B+ in ohms, or screen= in volts",
        )  # fmt: skip
    if volts is not None:
        return [VoltageSource("S", "screen", GROUND, volts)]
    assert ohms is not None
    held = "cathode" if not bypassed else GROUND
    return [Resistor("R4", "b_plus", "screen", ohms), Capacitor("C4", "screen", held, COUPLING)]

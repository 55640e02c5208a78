"""Resistance-coupled stages: triode and pentode."""

from __future__ import annotations

from tubekit.analyses.loadline import AnyTube, section_law, type_name
from tubekit.circuit.parts import GROUND, Capacitor, Device, Part, Resistor, Value, VoltageSource
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.errors import InputError
from tubekit.textbook.circuit import COUPLING, TextbookCircuit, coupled, fully_driven, parts_of


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

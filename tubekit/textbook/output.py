"""Output stages as makers state them: plate and screen volts to cathode, an ideal transformer, full drive."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tubekit.analyses.loadline import AnyTube, section_law, type_name
from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Device,
    Part,
    Resistor,
    Value,
    VoltageSource,
    Windings,
)
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.errors import InputError
from tubekit.textbook.circuit import TextbookCircuit, fully_driven, parts_of

HZ = 400.0
HENRIES = 1e4
"""Primary of the ideal transformer: 25 MΩ at the drive frequency."""
BYPASS = 1.0
"""Cathode bypass [F]: it holds the cathode still."""


def single_ended(
    tube: AnyTube,
    *,
    plate: Value,
    screen: Value | None = None,
    load: Value,
    grid: Value | None = None,
    cathode: Value | None = None,
    tap: float = 0.0,
    drive: Value | None = None,
    emission: float = 1.0,
    spread: float = 1.0,
) -> TextbookCircuit:
    """One output tube on an ideal transformer.

    Any number may be an array (N,): a batch of stages.

    Parameters
    ----------
    tube
        Type, record or law.
    plate, screen
        Idle volts to cathode, as maker rows give them. With a cathode resistor the supplies are higher by its
        idle voltage, found by solving. No screen for a triode or with a tap.
    load
        What the plate sees [Ω]; its resistor is `R1`.
    grid
        Fixed bias [V].
    cathode
        Bypassed cathode resistor [Ω]; give this or `grid`.
    tap
        Share of the winding the screen is connected across: 1 is triode-strapped, 0.4 a usual ultralinear.
    drive
        Peak at the grid [V]. Where not given: full drive of class A1, the grid's peak at the cathode's
        voltage (the driven one, with a cathode resistor).
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
        A screen that is missing or not there, bias given twice or not at all.

    Examples
    --------
    >>> from tubekit import textbook
    >>> result = textbook.solve(textbook.single_ended("6V6GT", plate=250, screen=250, grid=-12.5, load=5000))
    >>> print(f"{1e3 * result.plate_a:.0f} mA"), 4.1 < result.power_w < 4.9  # maker row: 45 mA, 4.5 W
    45 mA
    (None, True)
    """
    law = section_law(tube, emission, spread)
    at_screen = _screen(tube, law, plate, screen, tap)
    lift = _lift(tube, law, plate, at_screen, grid, cathode, 1)
    primary, screen_node = _winding("plate", tap)
    parts = parts_of(
        VoltageSource("B", "b_plus", GROUND, np.add(plate, lift)), _ideal("T1", *primary),
        Resistor("R1", "plate", "b_plus", load), _screen_source(at_screen, lift, tap),
        _bias(cathode), _signal("E1", "grid", grid, 1.0),
        _tube("V1", law, "plate", screen_node, "grid", cathode),
    )  # fmt: skip
    circuit = TextbookCircuit(
        parts, f"single-ended {type_name(tube)}", purpose="output stage", input="grid",
        output=("plate", "b_plus"), load="R1", frequency_hz=HZ,
    )  # fmt: skip
    return fully_driven(circuit, drive)


def push_pull(
    tube: AnyTube,
    *,
    plate: Value,
    screen: Value | None = None,
    load: Value,
    grid: Value | None = None,
    cathode: Value | None = None,
    tap: float = 0.0,
    drive: Value | None = None,
    emission: float | Sequence[float] = 1.0,
    spread: float | Sequence[float] = 1.0,
) -> TextbookCircuit:
    """Two output tubes in push-pull on an ideal transformer; see `single_ended` for what they share.

    Parameters
    ----------
    tube
        Type, record or law.
    plate, screen
        Idle volts to cathode, as for `single_ended`.
    load
        Plate to plate [Ω]; its resistor is `R1`.
    grid
        Fixed bias [V].
    cathode
        Common bypassed cathode resistor [Ω].
    tap
        Share of each half winding the screen is connected across.
    drive
        Peak at each grid [V]; full drive of class AB1 where not given.
    emission, spread
        Of both tubes, or one number for each: an unmatched pair.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Examples
    --------
    >>> from tubekit import textbook
    >>> pair = textbook.push_pull("6L6", plate=270, screen=270, cathode=125, load=5000)
    >>> 0.12 < textbook.solve(pair).plate_a < 0.14  # both tubes
    True
    """
    laws = [section_law(tube, e, s) for e, s in zip(_both(emission), _both(spread), strict=True)]
    at_screen = _screen(tube, laws[0], plate, screen, tap)
    lift = _lift(tube, section_law(tube), plate, at_screen, grid, cathode, 2)
    first, screen1 = _winding("plate1", tap)
    second, screen2 = _winding("plate2", tap)
    ends = [(b, a) for a, b in reversed(first[0])] + second[0], first[1][::-1] + second[1]
    parts = parts_of(
        VoltageSource("B", "b_plus", GROUND, np.add(plate, lift)), _ideal("T1", *ends),
        Resistor("R1", "plate1", "plate2", load), _screen_source(at_screen, lift, tap), _bias(cathode),
        _signal("E1", "grid1", grid, 1.0), _signal("E2", "grid2", grid, -1.0),
        _tube("V1", laws[0], "plate1", screen1, "grid1", cathode),
        _tube("V2", laws[1], "plate2", screen2, "grid2", cathode),
    )  # fmt: skip
    circuit = TextbookCircuit(
        parts, f"push-pull {type_name(tube)}", purpose="output stage", input="grid1",
        output=("plate1", "plate2"), load="R1", frequency_hz=HZ,
    )  # fmt: skip
    return fully_driven(circuit, drive)


def _both(value: float | Sequence[float]) -> tuple[float, float]:
    if isinstance(value, (int, float)):
        return float(value), float(value)
    if len(value) != 2:
        raise InputError(
            f"{len(value)} numbers for a pair of tubes", fix="Give one number, or one for each tube"
        )
    return float(value[0]), float(value[1])


def _screen(
    tube: AnyTube, law: Triode | Pentode, plate: Value, screen: Value | None, tap: float
) -> Value | None:
    name = type_name(tube)
    if not 0.0 <= tap <= 1.0:
        raise InputError(
            f"a tap of {tap!r} is not on the winding",
            part=name,
            fix="Give 0 (screen at its own supply) to 1 (strapped)",
        )
    if isinstance(law, Triode):
        if screen is not None or tap:
            raise InputError("a triode has no screen", part=name, fix="Leave screen= and tap= out")
        return None
    if tap:
        if screen is not None and np.any(np.not_equal(screen, plate)):
            raise InputError(
                "a screen on the winding is at the plate voltage",
                part=name,
                fix="Leave screen= out, or tap=",
            )
        return plate
    if screen is None:
        raise InputError(
            "needs its screen voltage", part=name, fix="Give screen= in volts, or tap= for a tapped winding"
        )
    return screen


def _lift(
    tube: AnyTube, law: Triode | Pentode, plate: Value, screen: Value | None, grid: Value | None,
    cathode: Value | None, tubes: int,
) -> Value:  # fmt: skip
    """How far the cathode stands above ground at rest [V]: 0 with fixed bias."""
    if (grid is None) == (cathode is None):
        raise InputError(
            "needs grid= or cathode=",
            part=type_name(tube),
            fix="Give the bias in volts, or the cathode resistor in ohms",
        )
    if cathode is None:
        return 0.0
    if np.any(np.asarray(cathode) <= 0):
        raise InputError(
            f"a cathode resistor of {np.min(cathode):g} Ω is not above zero", part=type_name(tube)
        )
    ohms, volts = np.multiply(cathode, tubes), [plate] if screen is None else [plate, screen]
    bias = np.zeros(np.broadcast_shapes(ohms.shape, *map(np.shape, volts)))
    for _ in range(60):  # convex: Newton's rule from zero bias needs no safeguards
        v = np.stack(np.broadcast_arrays(*volts, -bias), axis=-1).astype(float)
        currents, slopes = law.evaluate(v)
        step = (ohms * currents.sum(axis=-1) - bias) / (1.0 + ohms * slopes[..., :, -1].sum(axis=-1))
        bias = bias + step
        if np.max(np.abs(step)) < 1e-9:
            break
    return bias if bias.ndim else float(bias)


def _winding(plate: str, tap: float) -> tuple[tuple[list[tuple[str, str]], list[float]], str]:
    """Sections from B+ to plate with their shares of the turns, and the node of the screen."""
    if tap in (0.0, 1.0):
        return ([("b_plus", plate)], [1.0]), plate if tap else "screen"
    node = plate.replace("plate", "tap")
    return ([("b_plus", node), (node, plate)], [tap, 1.0 - tap]), node


def _ideal(name: str, ends: list[tuple[str, str]], turns: list[float]) -> Windings:
    return Windings(name, tuple(ends), (0.0,) * len(ends), HENRIES * np.multiply.outer(turns, turns))


def _screen_source(screen: Value | None, lift: Value, tap: float) -> Part | None:
    if screen is None or tap:
        return None
    return VoltageSource("S", "screen", GROUND, np.add(screen, lift))


def _bias(cathode: Value | None) -> list[Part]:
    if cathode is None:
        return []
    return [Resistor("R2", "cathode", GROUND, cathode), Capacitor("C1", "cathode", GROUND, BYPASS)]


def _signal(name: str, node: str, grid: Value | None, sign: float) -> VoltageSource:
    return VoltageSource(name, node, GROUND, 0.0 if grid is None else grid, sign)


def _tube(
    name: str, law: Triode | Pentode, plate: str, screen: str, grid: str, cathode: Value | None
) -> Device:
    nodes = (plate, grid) if isinstance(law, Triode) else (plate, screen, grid)
    return Device(name, law, nodes, GROUND if cathode is None else "cathode")

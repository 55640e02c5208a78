"""Passive tone networks: two controls and three."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from tubekit.circuit.parts import GROUND, Capacitor, Part, Resistor, Value
from tubekit.devices.potentiometer import fraction
from tubekit.errors import InputError, near_matches
from tubekit.textbook.circuit import TextbookCircuit

THREE: Mapping[str, float] = MappingProxyType(
    {
        "treble": 100e3,
        "bass": 400e3,
        "middle": 10e3,
        "slope": 22.4e3,
        "treble_farads": 625e-12,
        "bass_farads": 50e-9,
        "middle_farads": 50e-9,
    }
)
"""Parts of the three-control network [Ω, F]. Every impedance is 0.4 times that of
data/handbook/worked_examples.csv W19, so the response to an ideal source without load is the same (impedance
scaling, any circuit textbook)."""
TWO: Mapping[str, float] = MappingProxyType(
    {
        "bass": 1e6, "bass_above": 100e3, "bass_below": 10e3,
        "bass_above_farads": 2.2e-9, "bass_below_farads": 22e-9,
        "treble": 1e6, "treble_above_farads": 220e-12, "treble_below_farads": 2.2e-9, "joining": 100e3,
    }
)  # fmt: skip
"""Parts of the two-control network [Ω, F]: common practice, no source."""
END = 1e-6
"""Share of a track that stays at the stops."""


def three_control(
    *, treble: Value = 0.5, middle: Value = 0.5, bass: Value = 0.5, parts: Mapping[str, Value] | None = None,
    source_resistance: Value | None = None, load: Value | None = None,
) -> TextbookCircuit:  # fmt: skip
    """A treble, middle and bass network between an ideal source and no load.

    Parameters
    ----------
    treble, middle, bass
        Share of each track below the wiper, 0 to 1 (see `tubekit.devices.potentiometer.fraction` for what a
        knob does).
    parts
        Values that differ from `THREE`, by its names [Ω, F].
    source_resistance, load
        Of the stage before and the grid leak after [Ω]; an ideal source and no load when not given.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Raises
    ------
    InputError
        A position beyond the stops, an unknown part.

    Examples
    --------
    >>> from tubekit import textbook
    >>> print(f"{20 * np.log10(textbook.solve(textbook.three_control()).gain):.2f} dB")  # at 1 kHz
    -11.75 dB
    """
    p = _values(THREE, parts)
    t, m, b = (_turn(position) for position in (treble, middle, bass))
    wiring: list[Part] = [
        Capacitor("C1", "in", "treble_top", p["treble_farads"]),
        *_track("R1", "treble_top", "out", "treble_bottom", p["treble"], t),
        Resistor("R4", "in", "slope", p["slope"]),
        Capacitor("C2", "slope", "treble_bottom", p["bass_farads"]),
        Resistor("R2", "treble_bottom", "middle_top", p["bass"] * b),
        Capacitor("C3", "slope", "middle_wiper", p["middle_farads"]),
        *_track("R3", "middle_top", "middle_wiper", GROUND, p["middle"], m),
    ]
    return _network(wiring, "three-control tone network", source_resistance, load)


def two_control(
    *, treble: Value = 0.5, bass: Value = 0.5, parts: Mapping[str, Value] | None = None,
    source_resistance: Value | None = None, load: Value | None = None,
) -> TextbookCircuit:  # fmt: skip
    """The passive treble and bass network, cut and boost; flat, at about -20 dB, with both knobs half way.

    Source: E. J. James, Simple tone control circuit, Wireless World 55 (February 1949) (from memory: the
    form; part values are common practice, no source).

    Parameters
    ----------
    treble, bass
        Turn of each knob, 0 to 1; the tracks are of audio taper, a tenth below the wiper half way.
    parts
        Values that differ from `TWO`, by its names [Ω, F].
    source_resistance, load
        Of the stage before and the grid leak after [Ω]; an ideal source and no load when not given.

    Returns
    -------
    TextbookCircuit
        The circuit, ready for every analysis and for `worked`.

    Examples
    --------
    >>> from tubekit import textbook
    >>> print(f"{20 * np.log10(textbook.solve(textbook.two_control()).gain):.0f} dB")  # at 1 kHz
    -21 dB
    """
    p = _values(TWO, parts)
    t, b = (_turn(fraction(np.asarray(position, float), "audio")) for position in (treble, bass))
    wiring: list[Part] = [
        Resistor("R1", "in", "bass_top", p["bass_above"]),
        *_track("R2", "bass_top", "bass_wiper", "bass_bottom", p["bass"], b),
        Resistor("R3", "bass_bottom", GROUND, p["bass_below"]),
        Capacitor("C1", "bass_top", "bass_wiper", p["bass_above_farads"]),
        Capacitor("C2", "bass_wiper", "bass_bottom", p["bass_below_farads"]),
        Resistor("R4", "bass_wiper", "out", p["joining"]),
        Capacitor("C3", "in", "treble_top", p["treble_above_farads"]),
        *_track("R5", "treble_top", "out", "treble_bottom", p["treble"], t),
        Capacitor("C4", "treble_bottom", GROUND, p["treble_below_farads"]),
    ]
    return _network(wiring, "two-control tone network", source_resistance, load)


def _values(usual: Mapping[str, float], given: Mapping[str, Value] | None) -> dict[str, Value]:
    unknown = [name for name in given or {} if name not in usual]
    if unknown:
        raise InputError(
            "is not a part of this network", part=unknown[0], fix=f"The parts are {', '.join(usual)}",
            near=near_matches(unknown[0], usual),
        )  # fmt: skip
    return {**usual, **(given or {})}


def _turn(position: npt.ArrayLike) -> Value:
    share = np.asarray(position, float)
    if not np.all((share >= 0.0) & (share <= 1.0)):
        raise InputError(f"position {position!r} is beyond the stops", fix="Give 0 to 1")
    kept = np.clip(share, END, 1.0 - END)
    return kept if kept.ndim else float(kept)


def _track(name: str, top: str, wiper: str, bottom: str, ohms: Value, below: Value) -> list[Part]:
    return [
        Resistor(f"{name} upper", top, wiper, ohms * (1.0 - np.asarray(below))),
        Resistor(f"{name} lower", wiper, bottom, ohms * np.asarray(below)),
    ]


def _network(wiring: list[Part], title: str, source: Value | None, load: Value | None) -> TextbookCircuit:
    """Without a source of its own: `frequency_response` puts the signal on the input node."""
    first = "in" if source is None else "source"
    parts = list(wiring)
    if source is not None:
        parts.append(Resistor("R8", "source", "in", source))
    if load is not None:
        parts.append(Resistor("R9", "out", GROUND, load))
    return TextbookCircuit(tuple(parts), title, purpose="network", input=first)

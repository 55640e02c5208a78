"""Tapers: how much of a potentiometer's track lies below the wiper at a given turn of the knob."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from tubekit.errors import InputError, near_matches

FloatArray = npt.NDArray[np.float64]

AUDIO_AT_HALF = 0.10
"""Share of the track below the wiper of an audio taper at half travel; common practice, no source."""
_BASE = (1.0 / AUDIO_AT_HALF - 1.0) ** 2


def _audio(position: FloatArray) -> FloatArray:
    """Exponential from 0 to 1 through AUDIO_AT_HALF; real tracks approach it with straight pieces."""
    risen: FloatArray = np.expm1(position * np.log(_BASE)) / (_BASE - 1.0)
    return risen


_TAPERS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "linear": lambda position: position,
    "audio": _audio,
    "reverse audio": lambda position: 1.0 - _audio(1.0 - position),
}

TAPERS: tuple[str, ...] = tuple(_TAPERS)


def fraction(position: npt.ArrayLike, taper: str, end: float = 0.0) -> float | FloatArray:
    """Share of the track's resistance between bottom and wiper, 0 to 1, rising with `position`.

    Parameters
    ----------
    position : turn of the knob, 0 (bottom) to 1 (top); number or array.
    taper : 'linear', 'audio' or 'reverse audio'.
    end : share of the track that stays on either side at the stops, 0 to 0.5.

    Raises
    ------
    InputError : position outside 0 to 1, or a taper that is none of these.

    Examples
    --------
    >>> [round(fraction(0.5, taper), 3) for taper in TAPERS]
    [0.5, 0.1, 0.9]
    >>> fraction(0.0, "linear", end=0.001)
    0.001
    """
    if taper not in _TAPERS:
        raise InputError(
            f"there is no taper '{taper}'",
            fix=f"Choose one of {', '.join(TAPERS)}",
            near=near_matches(taper, TAPERS),
        )
    if not 0.0 <= end < 0.5:
        raise InputError(f"an end share of {end!r} leaves no track", fix="Give 0 to below 0.5")
    turn = np.asarray(position, dtype=float)
    if not np.all((turn >= 0.0) & (turn <= 1.0)):
        raise InputError(f"position {turn.tolist()} is not between 0 and 1", fix="Write 0.5 for noon")
    share = end + (1.0 - 2.0 * end) * np.clip(_TAPERS[taper](turn), 0.0, 1.0)
    return share if share.ndim else float(share)

"""Signals for an amp's input: tones, a plucked string, files of sound; and sound written to a file."""

from __future__ import annotations

import io
from collections.abc import Callable
from importlib.util import find_spec
from math import gcd
from pathlib import Path

import numpy as np
import scipy

from tubekit.errors import ChangeError
from tubekit.files import found, write_whole

Array = np.ndarray
RATE_HZ = 48_000
"""Samples a second of signals that are made here."""
FASTEST_HZ, SLOWEST_HZ = 384_000, 8_000
WAVES = (".wav", ".wave")
LONGEST_S = 60.0
CANCELED = 0.01
"""Channels whose mean is below this share of their peak cancel each other; common practice, no source."""
PLUCKED, PICKED = 0.22, 0.17
"""Where along the string it is plucked and heard, from the bridge; common practice, no source."""
STIFF = 6e-5
"""Inharmonicity of a wound steel string; typical, from memory."""
LOSS_S, LOSS_HIGH = 0.45, 2.2e-8
"""Decay rate of a string [1/s], and its rise with the square of angular frequency [s]; common practice."""
GONE = 20.0
"""A mode of the string that has lost so many nepers is not calculated further: 174 dB down."""
FULL_SCALE = 10 ** (-1 / 20)
"""Peak of the louder of two files: 1 dB below what a file can hold."""


def sine(hertz: float, seconds: float, rate: float) -> Array:
    """A steady tone."""
    return np.sin(2 * np.pi * hertz * _time(seconds, rate))


def two_tone(hertz: float, seconds: float, rate: float) -> Array:
    """Two equal tones a major third apart: what they make of each other shows as intermodulation."""
    time = _time(seconds, rate)
    return 0.5 * (np.sin(2 * np.pi * hertz * time) + np.sin(2.5 * np.pi * hertz * time))


def burst(hertz: float, seconds: float, rate: float) -> Array:
    """Tone on for a tenth of a second, off for four tenths."""
    time = _time(seconds, rate)
    return np.asarray(np.sin(2 * np.pi * hertz * time) * (time % 0.5 < 0.1))


def sweep(hertz: float, seconds: float, rate: float) -> Array:
    """From `hertz` up six octaves, each as long."""
    octaves = 6.0 * _time(seconds, rate) / seconds
    return np.asarray(np.sin(2 * np.pi * hertz * seconds / 6.0 / np.log(2.0) * (2.0**octaves - 1.0)))


def step(hertz: float, seconds: float, rate: float) -> Array:  # noqa: ARG001 - as of the others
    """A direct voltage, on after a tenth of the time."""
    return (_time(seconds, rate) > 0.1 * seconds).astype(float)


def string(hertz: float, seconds: float, rate: float) -> Array:
    """A plucked string as a pickup hears it: the sum of its modes, each with its own decay.

    A string drawn aside at one point holds mode n by sin(nπp)/n²; a magnetic pickup sees its velocity at
    another point; stiffness raises the overtones. Source: N. H. Fletcher and T. D. Rossing, "The Physics of
    Musical Instruments", chapter 2 (from memory); the decay is common practice, no source.

    Examples
    --------
    >>> note = string(110.0, 1.0, 48_000)
    >>> bool(abs(note[:4800]).max() > 1.5 * abs(note[-4800:]).max()), float(abs(note).max())
    (True, 1.0)
    """
    time, result, n = _time(seconds, rate), np.zeros(round(seconds * rate)), 1
    while (tone := n * hertz * np.sqrt(1.0 + STIFF * n * n)) < 0.45 * rate:
        turn = 2 * np.pi * tone
        size = np.sin(n * np.pi * PLUCKED) * np.sin(n * np.pi * PICKED) / n
        loss = LOSS_S + LOSS_HIGH * turn * turn
        if abs(size) > 1e-5:
            heard = time[: np.searchsorted(time, GONE / loss)]
            result[: len(heard)] += size * np.exp(-loss * heard) * np.sin(turn * heard)
        n += 1
    return np.asarray(result / np.abs(result).max())


KINDS: dict[str, Callable[[float, float, float], Array]] = {
    "string": string, "sine": sine, "two-tone": two_tone, "burst": burst, "sweep": sweep, "step": step,
}  # fmt: skip


def _time(seconds: float, rate: float) -> Array:
    return np.arange(1, round(seconds * rate) + 1) / rate


def read_sound(path: str | Path, seconds: float = LONGEST_S) -> tuple[Array, int]:
    """The first `seconds` of a file of sound as one channel (T,), full scale 1, and its samples a second.

    WAV files are read by SciPy; FLAC and others by soundfile, where it is installed.

    Raises
    ------
    ChangeError : no such file, no sound in it, channels that cancel, or samples that are no numbers.
    """
    place, every = Path(path), find_spec("soundfile") is not None
    if not found(place, "is_file"):
        raise ChangeError(
            "no such file", where=str(path), fix=f"Name a WAV or FLAC file, or: {', '.join(KINDS)}"
        )
    if not every and place.suffix.lower() not in WAVES:
        raise ChangeError(
            "only WAV files can be read here: soundfile is not installed", where=str(path),
            fix="Run pip install 'tubekit[sound]', or save it as WAV",
        )  # fmt: skip
    try:
        if every:
            import soundfile  # noqa: PLC0415 - not installed everywhere

            rate = soundfile.info(place).samplerate
            sound, _ = soundfile.read(place, frames=max(1, round(seconds * rate)), always_2d=True)
        else:
            rate, sound = scipy.io.wavfile.read(place)
            sound = np.atleast_2d(sound[: max(1, round(seconds * rate))].T).T
            if sound.dtype.kind in "iu":  # 8 bits have no sign, their middle is silence
                whole = 2.0 ** (8 * sound.dtype.itemsize - 1)
                sound = sound / whole - (sound.dtype.kind == "u")
    except (ValueError, RuntimeError, OSError):
        raise ChangeError(
            "cannot be read as sound", where=str(path), fix="Save it as a WAV or FLAC file"
        ) from None
    if not len(sound):
        raise ChangeError("there is no sound in it", where=str(path), fix="Record it again")
    if not SLOWEST_HZ <= rate <= FASTEST_HZ:
        raise ChangeError(
            f"{rate} samples a second", where=str(path),
            fix=f"Save it with {SLOWEST_HZ} to {FASTEST_HZ} samples a second",
        )  # fmt: skip
    sound = np.asarray(sound, float)
    if not np.isfinite(sound).all():
        at = int(np.argmin(np.isfinite(sound).all(axis=1)))
        raise ChangeError(
            f"sample {at + 1} is not a number ({at / rate:.3g} s)", where=str(path), fix="Fix the file"
        )
    channel = sound.mean(axis=1)
    if np.abs(channel).max() < CANCELED * np.abs(sound).max():
        raise ChangeError(
            "left and right cancel each other: one of them has reversed polarity", where=str(path),
            fix="Save one channel as a mono file",
        )  # fmt: skip
    return channel, int(rate)


def resampled(sound: Array, rate: int, new: int) -> Array:
    """The same sound at another number of samples a second, by SciPy's polyphase filter."""
    shared = gcd(rate, new)
    return sound if rate == new else np.asarray(
        scipy.signal.resample_poly(sound, new // shared, rate // shared)
    )  # fmt: skip


def matched(sounds: list[Array]) -> tuple[list[Array], list[float]]:
    """Sounds at one RMS level, the highest peak `FULL_SCALE`; and the decibels that brought each there.

    Examples
    --------
    >>> loud = np.array([2.0, -2.0])
    >>> [each.round(2).tolist() for each in matched([loud, loud / 10])[0]]
    [[0.89, -0.89], [0.89, -0.89]]
    """
    heard = min(map(len, sounds), default=0)  # where one was stopped sooner
    sizes = [float(np.sqrt(np.mean(np.square(each[:heard])))) if heard else 0.0 for each in sounds]
    even = [each / size if size > 0.0 else each for each, size in zip(sounds, sizes, strict=True)]
    peak = max((float(np.abs(each).max(initial=0.0)) for each in even), default=0.0)
    gain = FULL_SCALE / peak if peak > 0.0 else 1.0
    moved = [20 * np.log10(gain / size) if size > 0.0 else 0.0 for size in sizes]
    return [gain * each for each in even], moved


def wav(sound: Array, rate: int) -> bytes:
    """A WAV file of 16 bits."""
    file = io.BytesIO()
    scipy.io.wavfile.write(file, rate, np.round(np.clip(sound, -1.0, 1.0) * 32767.0).astype(np.int16))
    return file.getvalue()


def write_sound(path: Path, sound: Array, rate: int, *, overwrite: bool = False) -> None:
    """A WAV file, whole or not at all.

    Raises
    ------
    RecordError : the file is there already, or cannot be written.
    """
    write_whole(path, wav(sound, rate), overwrite=overwrite)

"""Hear and watch a swap: one signal through an amp before and after a change."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from threading import Event

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.sound import FINE_DB, METER_S, AmpSound, Ready
from tubekit.analyses import audio_kernel
from tubekit.analyses.audio import MOST_V
from tubekit.analyses.signals import KINDS, RATE_HZ, matched, read_sound, write_sound
from tubekit.circuit.newton import on_one_core
from tubekit.errors import ChangeError, near_matches
from tubekit.files import ask_place, found
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

Array = np.ndarray
Progress = Callable[[float], None]
"""Called with the share that is done; a KeyboardInterrupt from it ends all and keeps what is done."""
LEVEL_V, NOTE_HZ, SECONDS = 0.1, 110.0, 2.0
"""A plucked string into a guitar amp [V peak], its pitch [Hz] and how long it is heard [s]; common practice,
no source."""
LONGEST_S, LOOK_S = 60.0, 0.2
BEFORE, AFTER = "before", "after"


@dataclass(frozen=True, eq=False)
class Signal:
    """What is played: `volts` (T,) at the jack."""

    name: str
    volts: Array = field(repr=False)
    rate_hz: int
    level_v: float = quantity("V", "v_in", "highest voltage at the jack", label="level at the jack")


def signal(
    what: str = "string", *, level_v: float = LEVEL_V, hertz: float = NOTE_HZ, seconds: float = SECONDS
) -> Signal:
    """A signal by its name, or from a file of sound.

    Parameters
    ----------
    what
        string, sine, two-tone, burst, sweep, step, or the path of a WAV or FLAC file.
    level_v
        Highest voltage at the jack [V].
    hertz
        Pitch; where a sweep begins [Hz]. A file has its own.
    seconds
        How long; of a file no more than so much is played [s].

    Returns
    -------
    Signal
        Samples in volts.

    Raises
    ------
    ChangeError
        No such signal or file, or numbers out of range.

    Examples
    --------
    >>> note = signal("two-tone", level_v=0.02, seconds=0.5)
    >>> len(note.volts), round(float(abs(note.volts).max()), 4)
    (24000, 0.02)
    """
    if not (0.0 <= level_v <= MOST_V and 0.0 < seconds <= LONGEST_S and 10.0 <= hertz <= 20e3):
        raise ChangeError(
            f"cannot play {level_v:g} V, {hertz:g} Hz for {seconds:g} s",
            fix=f"Use a level from 0 to {MOST_V:g} V, 10 Hz to 20 kHz, up to {LONGEST_S:g} s",
        )
    name, rate = what, RATE_HZ
    if what in KINDS:
        sound = KINDS[what](hertz, seconds, RATE_HZ)
    elif Path(what).suffix or found(what):
        sound, rate = read_sound(what, seconds)
        cut = len(sound) >= round(seconds * rate)
        name = f"first {seconds:g} s of {Path(what).name}" if cut else Path(what).name
    else:
        raise ChangeError(
            f"there is no signal '{what}'", fix=f"Choose one of: {', '.join(KINDS)}; or a WAV or FLAC file",
            near=near_matches(what, KINDS),
        )  # fmt: skip
    peak = float(np.abs(sound).max(initial=0.0))
    return Signal(name, sound * (level_v / peak if peak > 0.0 else 0.0), rate, level_v if peak > 0.0 else 0.0)


@dataclass(frozen=True, eq=False, repr=False)
class Listening(Printed):
    """One signal through an amp as changed, and `before` through it as it was."""

    after: AmpSound
    before: AmpSound | None
    signal: Signal
    files: tuple[str, ...] = ()
    matched_db: tuple[float, ...] = ()

    json_keys = (
        "after", "before", "signal=signal.name", "level_v=signal.level_v", "seconds", "files", "matched_db",
    )  # fmt: skip

    @property
    def seconds(self) -> float:
        """How much was played [s]."""
        return len(self.after.volts) / self.after.rate_hz

    @property
    def both(self) -> tuple[AmpSound, ...]:
        """Before, where there is one, and after."""
        return (self.after,) if self.before is None else (self.before, self.after)

    def headline(self) -> str:
        """Level, its change, and distortion."""
        now = self.after
        at = f"{show(self.signal.level_v, 'V')} peak at {now.view.jack.designator}"
        words = f"{now.amp.title}: {self.signal.name}, {at}{self._stopped()}"
        if self.before is None:
            return f"{words}: {show(now.rms_v, 'V RMS')} at {now.output}, {_thd(now)}"
        change = _change_db(self.before, now)
        return f"{words}: {change}{_thd(self.before)} before and {_thd(now)} after"

    def tables(self) -> list[Table]:
        """Output, output tubes, rails and cathodes; files."""
        note = (
            f"Currents: highest reading of a moving-coil meter ({METER_S:g} s, IEC 60268-17 from memory) in "
            "that lead. Rails: lowest mean over a line cycle; cathodes: highest. THD: 1 kHz sine, same peak."
        )
        heads = (
            "what",
            *(f"{which} {state}" for which in self._names() for state in ("idle [] >", "played [] >")),
        )
        moves = Table(
            "While it plays (highest meter reading; of rails the lowest)",
            headed(*heads),
            list(self._moves()),
            note,
            "moves",
        )
        names = headed("output", *(f"{each} [] >" for each in self._names()))
        output = Table("Output", names, list(self._output()), self._doubts(), "output")
        sets = list(zip(self.files, self.matched_db, strict=False))
        title, words = "File", ""
        if len(sets) > 1:
            title, words = "Files at one RMS level", "What you hear is the tone, not the loudness."
        files = Table(title, headed("file", "gain [dB] +.1f"), sets, words, "files")
        return [output, moves, *([files] if sets else [])]

    def short(self) -> list[Table]:
        """Output, files, then what moves but for the plates."""
        tables = {table.key: table for table in self.tables()}
        moves = tables.pop("moves")
        few = [row for row in moves.rows if "plate" not in str(row[0])]
        return [*tables.values(), Table(moves.title, moves.columns, few, moves.note, moves.key)]

    def _stopped(self) -> str:
        """That Ctrl-C or Stop ended it, and when."""
        done = min(len(one.volts) for one in self.both)
        whole = len(self.signal.volts)
        if done >= whole:
            return ""
        rate = self.signal.rate_hz
        return f", stopped after {done / rate:.3g} s of {whole / rate:.3g} s"

    def _doubts(self) -> str:
        """What the sound leaves out."""
        said = {each.doubts: name for each, name in zip(self.both, self._names(), strict=True) if each.doubts}
        words = " ".join(f"{name.capitalize()}: {each}" if name else each for each, name in said.items())
        coarse = any(each.step_error_db > FINE_DB for each in self.both)
        return f"{words} Fine steps (--fine in a terminal) make it smaller." if coarse else words

    def _names(self) -> tuple[str, ...]:
        return ("",) if self.before is None else (BEFORE, AFTER)

    def _output(self) -> Iterator[tuple[object, ...]]:
        yield ("level", *((one.rms_v, "V RMS") for one in self.both))
        yield ("peak", *((one.peak_v, "V") for one in self.both))
        yield ("THD", *((np.nan if one.silent else one.thd_percent, "%") for one in self.both))
        if any(one.step_error_db > FINE_DB for one in self.both):
            yield ("calculation error", *((one.step_error_db, "dB") for one in self.both))

    def _moves(self) -> Iterator[tuple[object, ...]]:
        """A row for each place that is in the last of both."""
        known = [{row[0]: row[1:] for row in _rows(one)} for one in self.both]
        for place in known[-1]:
            cells = [each.get(place, (None, None)) for each in known]
            yield (place, *(cell for pair in cells for cell in pair))


def _rows(one: AmpSound) -> Iterator[tuple[str, tuple[float, str], tuple[float, str]]]:
    for tube in one.tubes:
        yield f"{tube.section} cathode current", (tube.cathode_idle_a, "A"), (tube.cathode_a, "A")
    for node in (*one.cathodes, *one.rails):
        yield node.place, (node.idle_v, "V"), (node.played_v, "V")
    for tube in one.tubes:
        yield f"{tube.section} plate current", (tube.plate_idle_a, "A"), (tube.plate_a, "A")


def _thd(one: AmpSound) -> str:
    if one.silent:
        return f"no signal gets to {one.output}"
    return "no signal, only hum" if np.isnan(one.thd_percent) else f"THD {one.thd_percent:.3g} %"


def _change_db(before: AmpSound, after: AmpSound) -> str:
    if before.silent or after.silent or not (before.rms_v > 0.0 and after.rms_v > 0.0):
        return ""
    off = 20 * np.log10(after.rms_v / before.rms_v)
    words = (
        "as loud as before" if abs(off) < 0.05 else f"{abs(off):.1f} dB {'louder' if off > 0 else 'softer'}"
    )
    return f"{words}, "


def listen(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    what: Signal | None = None,
    *,
    jack: str | None = None,
    fine: bool = False,
    unstable: bool = False,
    folder: Path | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> Listening:
    """Play one signal through an amp before and after a change.

    Parameters
    ----------
    amp
        The amp, from `load_amp`.
    changes
        As for `Amp.changed`; with none the amp is played once.
    what
        From `signal`; two seconds of a plucked string when not given.
    jack
        Designator of the driven input jack.
    fine
        Whether more steps are taken where two a sample leave an error above -60 dB: up to four times as long.
    unstable
        Whether an amp that oscillates is played, too.
    folder
        Where WAV files at one RMS level go; nothing is written when not given.
    overwrite
        Whether files of the same name may be replaced.
    progress
        Called with the share that is done; a KeyboardInterrupt from it, or Ctrl-C, keeps what is done.

    Returns
    -------
    Listening
        Both sounds with every trace, and what meters show.

    Raises
    ------
    ChangeError
        No such part, jack or output.
    RecordError
        A file is there already, or cannot be written.
    SolveError
        The amp oscillates, or a step does not arrive.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = listen(load_amp("vetch"), what=signal("step", level_v=0.0, seconds=0.02))
    >>> result.before, result.seconds
    (None, 0.02)
    """
    chosen = signal() if what is None else what
    changed = amp.changed(changes or {})
    amps = {AFTER: changed} if not changes else {BEFORE: amp, AFTER: changed}
    places = [] if folder is None else [folder / f"{amp.name} {name}.wav" for name in amps]
    for place in places:
        ask_place(place, overwrite=overwrite)
    sounds = play_all(amps, chosen, jack=jack, fine=fine, unstable=unstable, progress=progress)
    even, gains = matched([sound.volts for sound in sounds.values()])
    for place, each in zip(places, even, strict=False):
        write_sound(place, each, chosen.rate_hz, overwrite=overwrite)
    return Listening(
        sounds[AFTER], sounds.get(BEFORE), chosen, tuple(map(str, places)), tuple(gains) if places else ()
    )


@on_one_core
def play_all(
    amps: Mapping[str, Amp],
    what: Signal,
    *,
    jack: str | None = None,
    fine: bool = False,
    unstable: bool = False,
    progress: Progress | None = None,
) -> dict[str, AmpSound]:
    """Play one signal through several amps at the same time; see `listen`.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> sounds = play_all({"a": load_amp("vetch")}, signal("step", level_v=0.0, seconds=0.02))
    >>> len(sounds["a"].volts)
    960
    """
    ready = {name: Ready.of(one, jack=jack, unstable=unstable) for name, one in amps.items()}
    if audio_kernel.installed():
        audio_kernel.compiled()  # once, before both ask for it
    stopped, shares = Event(), dict.fromkeys(ready, 0.0)

    def tell(name: str, share: float) -> None:
        shares[name] = share
        try:
            if progress is not None and not stopped.is_set():
                progress(sum(shares.values()) / len(shares))
        except KeyboardInterrupt:
            stopped.set()
        if stopped.is_set():
            raise KeyboardInterrupt

    with ThreadPoolExecutor(max(1, len(ready))) as pool:
        playing = {
            name: pool.submit(one.play, what.volts, what.rate_hz, fine=fine, progress=partial(tell, name))
            for name, one in ready.items()
        }
        try:  # a wait without an end does not hear Ctrl-C everywhere
            while not any(job.done() and job.exception() for job in playing.values()):
                if not wait(playing.values(), LOOK_S).not_done:
                    break
        except KeyboardInterrupt:
            pass
        if not all(job.done() for job in playing.values()):
            stopped.set()
        return {name: job.result() for name, job in playing.items()}

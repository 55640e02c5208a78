"""Signal tracing: the level to expect at every node for a test tone, and the stage that loses it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.clipping import ClipPoint, beyond, clips_at, level_below
from tubekit.amp.parts.faults import Age
from tubekit.amp.signal_order import signal_order, speakers
from tubekit.amp.signal_view import SignalView, empty_inputs, signal_view
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.elimination import respond
from tubekit.circuit.parts import GROUND
from tubekit.decisions.population import dc_population, variables
from tubekit.decisions.probe import Probe, Tone, plugged, tip_of
from tubekit.decisions.reading import Readings
from tubekit.decisions.spread import neighbors
from tubekit.errors import ReadingError
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, described, quantity
from tubekit.units import mark

SIGMA = 2.0
WIDEST_DB = 40.0
"""Where signals nearly cancel (a common cathode) the band is as good as open [dB]."""
NIL_V = 1e-3
"""Less direct voltage than this is told as nil [V]."""
CANCELS_DB = 20.0
PROBE_TIMES, PROBE_STEP_V = 2.0, 100.0
LOST_DB = 6.0
"""A stage that falls short by more than this, and by more than good parts allow, loses the signal."""


@dataclass(frozen=True)
class TracePoint:
    """One node along the way: level, phase against the input, what good amps differ by, what was read."""

    node: str
    where: str
    level_v: float = quantity("V RMS", "v", "expected level", label="expect", tiny=True)
    gain_db: float = quantity("dB", "A", "from the input jack", label="gain from jack", format=".1f")
    phase_deg: float = quantity("°", "φ", "relative to the input jack", label="phase", format=".0f")
    within_db: float = quantity(
        "dB", "", "normal range: 95 % of good amps", label="normal within ±", format=".1f"
    )
    dc_v: float = quantity("V", "V", "direct voltage there at idle, to ground", default=0.0)
    read_v: float | None = quantity("V RMS", "v", "what was read", label="you read", tiny=True, default=None)

    @described("V", label="DC")
    def shown_dc_v(self) -> float:
        """Direct voltage as a meter shows it."""
        return _direct(self.dc_v)

    @described("dB", label="off", format="+.1f")
    def off_db(self) -> float | None:
        """Difference of the reading from what is expected [dB]; None where nothing was read."""
        if self.read_v is None:
            return None
        return float(20 * np.log10(max(self.read_v, 1e-9) / max(self.level_v, 1e-9)))


@dataclass(frozen=True, eq=False, repr=False)
class Trace(Printed):
    """The way of a test tone through an amp."""

    amp: Amp
    tone: Tone
    points: tuple[TracePoint, ...]
    loses: str = ""
    empty_inputs: tuple[str, ...] = ()
    clips: tuple[ClipPoint, ...] = field(default=(), repr=False)

    json_keys = ("amp=amp.title", "tone", "points", "loses", "notes=empty_inputs")

    @property
    def probe_peak_v(self) -> float:
        """Rating of a probe [V peak]: twice the highest DC plus peak of the signal, in steps of 100 V.

        Twice, since a stage driven by mistake swings its plate up by as much again, and more on a
        transformer (common practice, no source).
        """
        highest = max((abs(p.dc_v) + np.sqrt(2.0) * p.level_v for p in self.points), default=0.0)
        return float(max(PROBE_STEP_V, PROBE_STEP_V * np.ceil(PROBE_TIMES * highest / PROBE_STEP_V)))

    def point(self, node: str) -> TracePoint:
        """One node; KeyError where it is not on the way."""
        return {p.node: p for p in self.points}[node]

    def headline(self) -> str:
        """The tone, and the verdict where there are readings."""
        tone = self.tone
        head = (
            f"{self.amp.title}: feed {tone.level_rms_v * 1e3:g} mV at {mark(tone.frequency_hz, 'Hz')} "
            f"into {tone.jack}"
        )
        return f"{head}: {self.loses}." if self.loses else f"{head}, knobs as set."

    def tables(self) -> list[Table]:
        """Node by node, in the order of the signal."""
        read = ("read_v", "off_db") if any(p.read_v is not None for p in self.points) else ()
        note = "\n".join((*self.empty_inputs, *self._hints()))
        return [
            Table.of("Signal trace", self.points, "node", "at=where", "shown_dc_v", "level_v", "gain_db",
                     "phase_deg", "within_db", *read, note=note, key="trace"),
        ]  # fmt: skip

    def _hints(self) -> Iterator[str]:
        yield (
            f"Clip the probe on while the amp is off and discharged. Use a probe or a "
            f"blocking capacitor rated at least {self.probe_peak_v:.0f} V peak."
            f"{' Connect a load of the rated impedance to the output.' if any(speakers(self.amp)) else ''}"
        )
        yield beyond(self.clips, self.tone.level_rms_v) or "Small signal: keep the tone below clipping."
        if any(p.within_db >= CANCELS_DB for p in self.points):
            yield (
                f"Where the normal range is ±{CANCELS_DB:g} dB or more, two signals nearly cancel: only a "
                "much higher reading points to a fault."
            )

    def answer(self) -> str:
        """The tone or the verdict, and what a probe has to stand."""
        return f"{self.headline()} {next(self._hints())}"

    def short(self) -> list[Table]:
        """Plates, grids that are driven and the output: what is at zero DC or hardly there is left out."""
        trace = self.table("trace")
        heads = ("node", "at", "DC", "expect", "normal within ±", "you read", "off")
        rows = [
            row for row, p in zip(trace.rows, self.points, strict=True)
            if p.where.endswith((" plate", " tip")) or p.where.startswith(("LS", "J")) or p.read_v is not None
        ]  # fmt: skip
        return [replace(trace, rows=rows).only(*heads)]


def _direct(volts: float) -> float:
    return volts if abs(volts) >= NIL_V else 0.0


def trace(
    amp: Amp, tone: Tone | None = None, readings: Readings | None = None, *, age: Age = "vintage"
) -> Trace:
    """The level of a test tone at every node on its way, controls where they stand.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    tone
        At which jack, how much, what frequency; that of the readings, or 1 kHz at the usual input, 10 mV or
        as much less as keeps every stage below clipping, when not given.
    readings
        With signal readings the stage that loses the signal is named.
    age
        'vintage' or 'modern' parts.

    Returns
    -------
    Trace
        The level at each point, and the stage that loses the signal.

    Raises
    ------
    InputError
        No such input jack.
    ReadingError
        The amp has no input jack.
    SolveError
        The amp has no idle state, or oscillates.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = trace(load_amp("teasel"), Tone("J1", 0.01))
    >>> 0.3 < result.point("p1a").level_v < 0.8
    True
    """
    tone = tone or (readings.tone if readings else None) or first_tone(amp)
    there = plugged(readings.amp if readings else amp, tone)
    view = signal_view(there, jack=tone.jack)
    ready = dc_population(there)
    nodes = signal_order(there.topology, tip_of(there, tone)).way()
    probes = [Probe("signal_rms_v", (node, GROUND)) for node, _ in nodes]
    varied = variables(there, age, mains_known=0.005)
    near = neighbors(ready, probes, varied, tone)
    gain, direct = _seen(view, [node for node, _ in nodes], tone)
    levels, phases = tone.level_rms_v * np.abs(gain), np.degrees(np.angle(gain))
    sd_db = (
        20
        / np.log(10)
        * np.sqrt(np.square(near.effects / np.maximum(near.values, 1e-12)[:, None]).sum(axis=1))
    )
    sd_db[np.isnan(sd_db)] = np.inf  # what moves it is not known
    listed = readings.readings if readings else ()
    read = {r.probe.place[0]: r.value for r in listed if r.probe.quantity == "signal_rms_v"}
    start = max(float(levels[0]), 1e-12)
    points = tuple(
        TracePoint(
            node, where, float(levels[k]), float(20 * np.log10(max(levels[k], 1e-12) / start)),
            float(phases[k]), min(float(SIGMA * sd_db[k]), WIDEST_DB), float(direct[k]), read.get(node),
        )
        for k, (node, where) in enumerate(nodes)
    )  # fmt: skip
    clips = clips_at(view, tone.frequency_hz)
    return Trace(there, tone, points, _loses(there, points), empty_inputs(there), clips)


def first_tone(
    amp: Amp, jack: str | None = None, frequency_hz: float = 1000.0, level_rms_v: float | None = None
) -> Tone:
    """A tone at the usual input, where no level is given one that keeps every stage well below clipping."""
    if not drawn.input_jacks(amp.parts):
        raise ReadingError("there is no input jack in this amp", where=amp.name, fix="Enter it as [J1]")
    view = signal_view(amp, jack=jack)
    level = level_below(clips_at(view, frequency_hz)) if level_rms_v is None else level_rms_v
    return Tone(view.jack.designator, level, frequency_hz)


def _seen(view: SignalView, nodes: Sequence[str], tone: Tone) -> tuple[Array, Array]:
    """Gain from the jack, complex, and direct voltage [V] at each node."""
    refuse_unstable(view.amp, view.stability)
    s = np.array([2j * np.pi * tone.frequency_hz])
    x = respond(view.network, view.matrix, view.drive, s)[0, 0]
    gain = np.array([view.network.pick(x, node) for node in nodes]) / (x @ view.tip)
    return gain, np.array([float(view.solved.state.mean(node)[0]) for node in nodes])


def _loses(amp: Amp, points: Sequence[TracePoint]) -> str:
    """The first reading that falls short of the one before it, in words."""
    read = [p for p in points if p.read_v is not None]
    if not read:
        return ""
    before: TracePoint | None = None
    for point in read:
        off = point.off_db or 0.0
        lost = off - ((before.off_db or 0.0) if before else 0.0)
        if lost < -max(LOST_DB, point.within_db):
            start = f"between {before.node} ({before.where}) and" if before else "before"
            end = f"{point.node} ({point.where}): {-lost:.0f} dB too low{_between(amp, before, point)}"
            return f"the signal is lost {start} {end}"
        before = point
    return f"the {len(read)} levels you read agree with a good amp"


def _between(amp: Amp, before: TracePoint | None, point: TracePoint) -> str:
    """Parts that join the two nodes."""
    if before is None:
        return ""
    near = {p.designator for p in amp.parts_at(before.node)}
    shared = [p.designator for p in amp.parts_at(point.node) if p.designator in near]
    return f"; {', '.join(shared)} {'are' if len(shared) > 1 else 'is'} between" if shared else ""

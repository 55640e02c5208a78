"""Readings that could be taken on an amp: what the next one is chosen from."""

from __future__ import annotations

from collections.abc import Iterator

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Probe, Tone


def candidate_probes(amp: Amp, tone: Tone | None = None) -> tuple[Probe, ...]:
    """DC at every node that a tube or a rail touches and across the output transformer, rail ripple, cathode
    currents, resistances of parts with the power off, and (with a tone) the signal along the way.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> probes = candidate_probes(load_amp("teasel"))
    >>> Probe("dc_v", ("p1a", "ground")) in probes, Probe("ripple_pp_v", ("B1", "ground")) in probes
    (True, True)
    """
    return tuple(dict.fromkeys([*_direct(amp), *_ripple(amp), *_ohms(amp), *(_signal(amp) if tone else ())]))


def _tubes(amp: Amp) -> Iterator[Tube]:
    for part in amp.parts.values():
        if isinstance(part, Tube) and not isinstance(part, RectifierTube):
            yield part


def _rails(amp: Amp) -> list[str]:
    return list(dict.fromkeys(rail.node for rail in amp.topology.rails))


def _direct(amp: Amp) -> Iterator[Probe]:
    for node in _rails(amp):
        yield Probe("dc_v", (node, GROUND))
    for tube in _tubes(amp):
        for section in tube.sections:
            for own in (section.plate, section.screen, section.grid, section.cathode):
                if own not in (None, GROUND):
                    yield Probe("dc_v", (str(own), GROUND))
            if section.cathode == GROUND:
                yield Probe("dc_a", (section.name, "cathode"))
    yield from output_drops(amp)


def output_drops(amp: Amp) -> Iterator[Probe]:
    """The drop across each half of an output transformer: it tells a pair's currents apart."""
    for part in amp.parts.values():
        if isinstance(part, drawn.OutputTransformer):
            plates = {section.plate for tube in _tubes(amp) for section in tube.sections}
            for a, b in part.primary.sections:
                yield Probe("dc_v", (b, a) if a in plates else (a, b))


def _ripple(amp: Amp) -> Iterator[Probe]:
    for node in _rails(amp):
        yield Probe("ripple_pp_v", (node, GROUND))
    for tube in _tubes(amp):
        if len(tube.heater) > 1:
            yield Probe("ac_rms_v", (tube.heater[0], GROUND))
            yield Probe("ac_rms_v", (tube.heater[0], tube.heater[-1]))


def _ohms(amp: Amp) -> Iterator[Probe]:
    off = amp.line_side.nodes
    for part in amp.parts.values():
        if part.condition == "fitted" and not set(part.nodes) & off:
            for one, two in part.ohmmeter():
                yield Probe("ohms", (one, two) if one != GROUND else (two, one))


def _signal(amp: Amp) -> Iterator[Probe]:
    for tube in _tubes(amp):
        for section in tube.sections:
            for own in (section.grid, section.plate, section.cathode):
                if own != GROUND:
                    yield Probe("signal_rms_v", (own, GROUND))
    for part in amp.parts.values():
        if isinstance(part, drawn.Loudspeaker):
            yield Probe("signal_rms_v", (part.a, part.b))


def tube_readings(amp: Amp, count: int = 15) -> tuple[Probe, ...]:
    """The usual list: rails first, then plates, cathodes and screens, as many as asked for."""
    rails = [Probe("dc_v", (node, GROUND)) for node in _rails(amp)]
    result = list(rails)
    for field in ("plate", "cathode", "screen"):
        for tube in _tubes(amp):
            for section in tube.sections:
                node = getattr(section, field)
                if node not in (None, GROUND):
                    result.append(Probe("dc_v", (node, GROUND)))
    return tuple(list(dict.fromkeys(result))[:count])

"""Where the signal leaves an amp: its loudspeakers; in an amp without any, its output jacks."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.parts import GROUND, Jack, Loudspeaker, OutputTransformer, Part, Resistor, Section
from tubekit.amp.strays import sections, tubes
from tubekit.amp.topology import edges, is_large, reached
from tubekit.errors import ChangeError

Output = Loudspeaker | Jack
STOPPER_OHMS = 1e3
"""A resistor up to this is a stopper in a plate's lead [Ω]; common practice, no source."""


def outputs(parts: Mapping[str, Part]) -> list[Output]:
    """Outputs, where the signal leaves: the fitted loudspeakers; in an amp without any, its output jacks."""
    fitted = [part for part in parts.values() if part.condition == "fitted"]
    speakers = [part for part in fitted if isinstance(part, Loudspeaker)]
    return [*speakers] or [part for part in fitted if isinstance(part, Jack) and part.direction == "output"]


def output_of(amp: Amp, near: Container[str]) -> Output:
    """Output that the signal leaves by: the speaker of the largest output stage, else an output jack.

    `near` are the nodes that the signal reaches: an output there comes first.

    Raises
    ------
    ChangeError : there is none.
    """
    for part in outputs_of(amp, near):
        return part
    raise ChangeError(
        "no speaker is connected: the output stage must not be driven without a load", where=amp.name,
        fix="Connect the speaker, or add [LS1] with its nodes and ohms (for a preamp, an output jack)",
    )  # fmt: skip


def outputs_of(amp: Amp, near: Container[str] = ()) -> Iterator[Output]:
    """The outputs: those at the nodes `near` first, of them that of the largest output stage.

    The coil of a reverb is no loudspeaker.
    """
    driven = _driven_nodes(amp)

    def rank(part: Output) -> tuple[bool, float]:
        own = {part.a, part.b} - {GROUND}
        watts = max((each for nodes, each in driven if own & nodes), default=0.0)
        return not any(node in near for node in own), -watts

    yield from sorted(outputs(amp.parts), key=rank)


def speakers(amp: Amp) -> Iterator[Loudspeaker]:
    """The fitted loudspeakers, that of the largest output stage first."""
    yield from (part for part in outputs_of(amp) if isinstance(part, Loudspeaker))


def load_of(amp: Amp, speaker: Loudspeaker) -> tuple[Loudspeaker, ...]:
    """The loudspeakers that load the same output transformer as `speaker`, that one first."""
    ends = {speaker.a, speaker.b} - {GROUND}
    nodes = next((nodes for nodes, _ in _driven_nodes(amp) if ends & nodes), ends)
    others = (
        one
        for one in speakers(amp)
        if one.designator != speaker.designator and {one.a, one.b} & nodes - {GROUND}
    )
    return (speaker, *others)


def in_parallel(load: tuple[Loudspeaker, ...]) -> tuple[Loudspeaker, ...]:
    """Those of a load between the same two nodes as its first."""
    ends = {load[0].a, load[0].b}
    return tuple(one for one in load if {one.a, one.b} == ends)


def _driven_nodes(amp: Amp) -> list[tuple[set[str], float]]:
    """Of each output transformer: the nodes that its windings reach through metal, and the plates' watts."""
    wires = edges([p for p in amp.parts.values() if not isinstance(p, Resistor | OutputTransformer)])
    return [
        (set(reached(set(part.nodes) - {GROUND}, wires, stops=[GROUND])), _plate_watts(amp, part))
        for part in amp.parts.values() if isinstance(part, OutputTransformer)
    ]  # fmt: skip


def output_transformer(amp: Amp) -> OutputTransformer | None:
    """Transformer of the largest output stage, a reverb driver's left out; None where there is none."""
    result = [part for part in amp.parts.values() if isinstance(part, OutputTransformer)]
    return max(result, key=lambda part: _plate_watts(amp, part), default=None)


def output_sections(amp: Amp) -> tuple[Section, ...]:
    """Sections of the fitted tubes whose plates feed the transformer of the largest output stage."""
    output = output_transformer(amp)
    plates = set() if output is None else primary_nodes(amp, output)
    return tuple(section for section in sections(amp) if section.plate in plates)


def primary_nodes(amp: Amp, part: OutputTransformer) -> set[str]:
    """Taps of its primary, and what metal, a plate stopper or a large capacitor (parafeed) joins to them."""
    joining = [
        (one.nodes[0], one.nodes[1]) for one in amp.parts.values()
        if is_large(one) or (isinstance(one, Resistor) and np.max(one.ohms) <= STOPPER_OHMS)
    ]  # fmt: skip
    return set(reached(part.primary.taps, [*joining, *amp.topology.metal], stops=amp.topology.held))


def _plate_watts(amp: Amp, part: OutputTransformer) -> float:
    """Rated plate dissipation of the tubes on its primary [W]."""
    rated, plates = 0.0, primary_nodes(amp, part)
    for tube in tubes(amp):
        for section in tube.sections:
            if section.plate in plates:
                rated += tube.system(section).ratings.plate_w or 0.0
    return rated

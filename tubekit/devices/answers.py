"""What a law gives for stages of any kind, as a handbook row asks it.

Answers are in SI units by quantity: of a stage at rest 'plate', 'screen', 'grid' (currents), 'gm', 'rp',
'mu'; of a coupled one also 'gain' and 'onset' (output [V rms] at which its grid starts to draw); of an output
stage 'idle_plate', 'idle_screen', 'full_plate', 'full_screen', 'power', 'distortion'.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

from tubekit.devices.law import Law
from tubekit.devices.output_stage import OutputStage, driven
from tubekit.devices.stages import Answer, At, Coupled, at_rest, resting_answer

Stage: TypeAlias = At | Coupled | OutputStage


def answers(law: Law, asked: Sequence[Stage]) -> list[Answer]:
    """One answer for each stage, in their order; of P laws stacked into one, arrays of shape (P,).

    Examples
    --------
    >>> from tubekit.devices.triode import Triode
    >>> law = Triode(perveance=1e-3, mu=100, grid_perveance=0)
    >>> print(f"{answers(law, [At(250, -1.5)])[0]['plate'] * 1e3:.2f} mA")
    1.00 mA
    """
    result: list[Answer] = [{}] * len(asked)
    resting = [(k, each) for k, each in enumerate(asked) if not isinstance(each, OutputStage)]
    if resting:
        v, i, g = at_rest(law, [each for _, each in resting])
        for place, (k, each) in enumerate(resting):
            result[k] = resting_answer(each, law, v[..., place, :], i[..., place, :], g[..., place, :, :])
    powered = [(k, each) for k, each in enumerate(asked) if isinstance(each, OutputStage)]
    for (k, _), answer_ in zip(powered, driven(law, [each for _, each in powered]), strict=True):
        result[k] = answer_
    return result


def answer(law: Law, asked: Stage) -> dict[str, float]:
    """What one law gives for one stage."""
    return {name: float(value) for name, value in answers(law, [asked])[0].items()}

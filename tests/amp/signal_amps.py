"""Variants of the demo amp for tests of the signal path, written as amp files that extend it."""

from __future__ import annotations

from tests.amps import variant
from tubekit.amp import Amp


def with_feedback(ohms: str = "22k", *, reversed_phase: bool = False) -> Amp:
    """Overall feedback from the loudspeaker to the cathode of the recovery stage.

    As the demo amp is drawn its loudspeaker moves against that cathode: the secondary is turned round, and
    turning it back reverses the feedback.
    """
    nodes = '["speaker", "ground"]' if reversed_phase else '["ground", "speaker"]'
    return variant(
        "Feedback trial",
        f"""
[C9]
removed = true
[R27]
value = "{ohms}"
nodes = ["speaker", "k2a"]
role = "overall feedback"
[T2.secondary]
nodes = {nodes}
""",
    )


def with_hum_balance() -> Amp:
    """A potentiometer of 100 Ω across the heaters instead of two resistors."""
    return variant(
        "Hum balance trial",
        """
[R25]
removed = true
[R26]
removed = true
[R28]
kind = "potentiometer"
value = "100"
top = "h1"
wiper = "ground"
bottom = "h2"
taper = "linear"
position = 0.5
role = "hum balance"
""",
    )


def with_two_taps() -> Amp:
    """A secondary with a tap for 4 Ω, at 1/√2 of its turns."""
    return variant(
        "Two taps",
        """
left_open = ["tap4"]
[T2.secondary]
nodes = ["speaker", "tap4", "ground"]
turns = [0.293, 0.707]
resistance = ["0.15", "0.35"]
""",
    )

"""Amps with circuits that the demo amps do not have, to be drawn: the demo amp with tables laid over it."""

from __future__ import annotations

from tests.amps import variant
from tubekit.amp import Amp


def cathode_follower() -> Amp:
    """V2b as a follower, its grid on the plate before it, its cathode feeding both output grids."""
    return variant(
        "Follower",
        """
[V2.b]
grid = "p2a"
plate = "B3"
[R11]
nodes = ["k2b", "ground"]
value = "100k"
[C11]
nodes = ["k2b", "drive3"]
[C12]
nodes = ["k2b", "drive4"]
""",
        gone=("C10", "R10", "R12", "R13", "test_points.TP8"),
    )


def paraphase() -> Amp:
    """V2b takes its signal from a divider on the grid leak of V3, and drives V4."""
    return variant(
        "Paraphase",
        """
[C11]
nodes = ["p2a", "drive3"]
[C12]
nodes = ["p2b", "drive4"]
[R15]
nodes = ["drive3", "tap"]
[R12]
value = "6.8k"
nodes = ["tap", "ground"]
[R10]
value = "10k"
nodes = ["tap", "g2b"]
[R11]
nodes = ["k2b", "ground"]
""",
        gone=("C10",),
    )


def triode_strapped() -> Amp:
    """Screens on their plates: one straight, one through its stopper."""
    return variant(
        "Strapped",
        """
[V3]
screen = "p3"
[R20]
nodes = ["p4", "s4"]
""",
        gone=("R19",),
    )


def ultralinear() -> Amp:
    """Screens on taps of the primary; a capacitor from plate to plate."""
    return variant(
        "Taps",
        """
[R19]
nodes = ["u3", "s3"]
[R20]
nodes = ["u4", "s4"]
[T2.primary]
nodes = ["p3", "u3", "B1", "u4", "p4"]
turns = [9.0, 6.8, 6.8, 9.0]
resistance = ["90", "65", "70", "100"]
[C18]
value = "1n"
nodes = ["p3", "p4"]
rating = "1 kV"
""",
    )


def one_section_unused() -> Amp:
    """Only one section of V2 is wired; parts from its plate back to its grid, a load at the loudspeaker."""
    return variant(
        "Half used",
        """
[V2]
note = "the other section is not used"
[V2.b]
removed = true
[C11]
nodes = ["p2a", "drive3"]
[C12]
nodes = ["p2a", "drive4"]
[R10]
value = "4.7M"
nodes = ["p2a", "x2a"]
[C10]
nodes = ["x2a", "g2a"]
[R13]
value = "22k"
nodes = ["ground", "speaker"]
""",
        gone=("R11", "R12", "test_points.TP8", "test_points.TP9"),
    )


def reverberating() -> Amp:
    """A twin triode with both sections in parallel works a spring tank through a transformer of its own;
    a pentode brings the signal back to the recovery stage.
    """
    return variant(
        "Springs",
        """
[C41]
value = "500p"
nodes = ["p1b", "g6"]
[R41]
value = "1M"
nodes = ["g6", "ground"]
[V6]
type = "12AT7"
heater = ["h1", "h2"]
role = "drives the springs"
[V6.a]
plate = "p6"
grid = "g6"
cathode = "k6"
[V6.b]
plate = "p6"
grid = "g6"
cathode = "k6"
[R42]
value = "2.2k"
nodes = ["k6", "ground"]
[C42]
value = "25u"
nodes = ["k6", "ground"]
style = "electrolytic"
[T3]
kind = "output transformer"
[T3.primary]
nodes = ["B2", "p6"]
turns = [50]
resistance = ["1k"]
inductance = "20 H"
[T3.secondary]
nodes = ["springs", "ground"]
turns = [1]
resistance = ["0.5"]
[J3]
kind = "jack"
tip = "springs"
sleeve = "ground"
direction = "output"
plugged = true
[J4]
kind = "jack"
tip = "g7"
sleeve = "ground"
direction = "input"
plugged = true
[R43]
value = "220k"
nodes = ["g7", "ground"]
[V7]
type = "6SJ7"
heater = ["h1", "h2"]
plate = "p7"
screen = "s7"
grid = "g7"
cathode = "k7"
role = "recovers what the springs give"
[R44]
value = "2.2k"
nodes = ["k7", "ground"]
[C43]
value = "25u"
nodes = ["k7", "ground"]
style = "electrolytic"
[R45]
value = "220k"
nodes = ["B3", "p7"]
[R46]
value = "1M"
nodes = ["B3", "s7"]
[C44]
value = "100n"
nodes = ["s7", "ground"]
[C45]
value = "22n"
nodes = ["p7", "mix"]
[R47]
kind = "potentiometer"
value = "100k"
top = "mix"
wiper = "back"
bottom = "ground"
taper = "linear"
role = "reverberation"
[R48]
value = "470k"
nodes = ["back", "g2a"]
""",
    )


def four_output_tubes() -> Amp:
    """Two tubes on each half of the primary, all four cathodes together; silicon in a bridge."""
    return variant(
        "Four tubes",
        """
[V6]
type = "6V6GT"
plate = "p3"
screen = "s6"
grid = "g6"
cathode = "k34"
heater = ["h1", "h2"]
[R51]
value = "4.7k"
nodes = ["drive3", "g6"]
[R52]
value = "470"
nodes = ["B2", "s6"]
[V7]
type = "6V6GT"
plate = "p4"
screen = "s7"
grid = "g7"
cathode = "k34"
heater = ["h1", "h2"]
[R53]
value = "4.7k"
nodes = ["drive4", "g7"]
[R54]
value = "470"
nodes = ["B2", "s7"]
[T1.high_voltage]
nodes = ["hv_a", "hv_b"]
volts = ["250 V"]
resistance = ["62"]
[T1.rectifier_heater]
removed = true
[CR1]
type = "1N4007"
nodes = ["hv_a", "B1"]
[CR2]
type = "1N4007"
nodes = ["hv_b", "B1"]
[CR3]
type = "1N4007"
nodes = ["ground", "hv_a"]
[CR4]
type = "1N4007"
nodes = ["ground", "hv_b"]
""",
        gone=("V5",),
    )


def parallel_single_ended() -> Amp:
    """Two output tubes with everything in common into one transformer; its screens straight on B+."""
    return variant(
        "Side by side",
        """
[V3]
screen = "B2"
[V4]
plate = "p3"
screen = "B2"
grid = "g3"
[T2.primary]
nodes = ["p3", "B1"]
turns = [20]
resistance = ["200"]
""",
        gone=("C12", "R16", "R18", "R19", "R20", "test_points.TP11"),
    )


def wild_names() -> Amp:
    """Long names of nodes, and values of many figures."""
    return variant(
        "Long names",
        """
[R2]
nodes = ["in_high", "the_grid_of_the_first_section_of_V1"]
value = "47.123k"
[R3]
nodes = ["in_low", "the_grid_of_the_first_section_of_V1"]
[V1.a]
grid = "the_grid_of_the_first_section_of_V1"
""",
    )


ODD = (
    cathode_follower, paraphase, triode_strapped, ultralinear, one_section_unused, reverberating,
    four_output_tubes, parallel_single_ended, wild_names,
)  # fmt: skip

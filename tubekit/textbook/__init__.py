"""Ready circuits from the books, made of the same parts and solved by the same engine as a whole amp.

Each function gives a `TextbookCircuit`, which every analysis takes; `worked` gives its usual figures.
"""

from tubekit.textbook.circuit import TextbookCircuit
from tubekit.textbook.followers import cathode_follower, long_tailed_pair, rc_stage, split_load
from tubekit.textbook.output import push_pull, single_ended
from tubekit.textbook.results import TextbookResult, solve
from tubekit.textbook.supplies import capacitor_input, choke_input
from tubekit.textbook.tone import three_control, two_control

__all__ = [
    "TextbookCircuit",
    "TextbookResult",
    "capacitor_input",
    "cathode_follower",
    "choke_input",
    "long_tailed_pair",
    "push_pull",
    "rc_stage",
    "single_ended",
    "solve",
    "split_load",
    "three_control",
    "two_control",
]

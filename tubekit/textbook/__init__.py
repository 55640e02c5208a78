"""Ready circuits from the books, made of the same parts and solved by the same engine as a whole amp.

The functions give a `Circuit`, which every analysis takes.
"""

from tubekit.textbook.supplies import capacitor_input
from tubekit.textbook.tone import three_control

__all__ = ["capacitor_input", "three_control"]

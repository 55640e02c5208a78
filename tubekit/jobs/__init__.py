"""One job from the door to hand-back: its journal, what is still fitted, what to measure next."""

"""Circuits: parts that join named nodes, their matrices, and Newton at the tubes' ports."""

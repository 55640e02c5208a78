"""Set-up of a checkout: its own environment, the notebooks, the tests. Standard library only."""

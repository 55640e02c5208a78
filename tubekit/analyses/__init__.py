"""Analyses: idle point, mains steady state, small-signal gain. None of them knows what an amp is."""

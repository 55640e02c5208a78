"""The bench: readings taken, what they say about the amp, cables, bringing up, procedures."""

"""Notebooks without code: pages for the tablet at the bench, files to hand on."""

"""The same answers in a terminal: `python3 -m tubekit COMMAND`."""

from tubekit.cli.main import main

__all__ = ["main"]

"""The fixtures that the set-up tests share."""

from tests.setup.fakes import place, ready, tools

__all__ = ["place", "ready", "tools"]

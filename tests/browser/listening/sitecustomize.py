"""Put on PYTHONPATH, it notes every address outside this machine that a Python process turns to."""

from __future__ import annotations

import os
import socket
import sys
from typing import Any

_HERE = {"", "0.0.0.0", "127.0.0.1", "::1", "::", "localhost", socket.gethostname()}
_NOTES = os.environ.get("TUBEKIT_NOTES", "")
_ASKS = {"socket.connect": 1, "socket.sendto": 1, "socket.getaddrinfo": 0, "socket.gethostbyname": 0}


def _note(event: str, lines: tuple[Any, ...]) -> None:
    if event not in _ASKS:
        return
    place = lines[_ASKS[event]]
    host = place[0] if isinstance(place, tuple) else place
    if event in ("socket.connect", "socket.sendto") and not isinstance(place, tuple):
        return  # a path: a socket of this machine
    name = host.decode() if isinstance(host, bytes) else str(host or "")
    if name not in _HERE:
        with open(_NOTES, "a", encoding="utf-8") as file:  # noqa: PTH123 - pathlib is not loaded this early
            file.write(f"{event} {name} {' '.join(sys.argv[:2])}\n")


if _NOTES:
    sys.addaudithook(_note)

"""What served pages may take: kernels, of which the page left longest gives one up, and tries at the key."""

from __future__ import annotations

import contextlib
import datetime as dt
import logging
import os
import re
import time
from collections import deque
from collections.abc import Mapping
from typing import Any

from jupyter_server.auth.identity import PasswordIdentityProvider, User
from jupyter_server.services.kernels.connection.channels import ZMQChannelsWebsocketConnection
from jupyter_server.utils import ensure_async
from tornado.web import HTTPError


def most_kernels() -> int:
    """Kernels at once: twelve, or on a large machine one for each GB of memory."""
    memory = 0
    with contextlib.suppress(AttributeError, OSError, ValueError):  # not known on this system
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    return max(12, memory // 1_000_000_000)


MOST_KERNELS = most_kernels()
"""Some 250 MB each once a page has run."""
LEFT_S = 60.0
"""A page is not left before nothing has moved on it for this long [s]."""
TRIES, WAIT_S = 5, 60.0
"""Wrong keys from one address within this time [s]; then it has to wait."""

KEY = re.compile(r"(token=)[^\s&'\")]+")


def to_release(kernels: Mapping[str, Any], links: Mapping[str, int], now: dt.datetime) -> list[str]:
    """Kernels to end before another starts: idle ones that no page is linked to, then those left longest.

    Parameters
    ----------
    kernels
        By their ids, each with `last_activity` and `execution_state`.
    links
        Pages linked to each.
    now
        Time of day, with its zone.

    Returns
    -------
    list[str]
        Their ids; fewer than would be needed where too many are calculating.
    """
    left = [
        (links.get(name, 0) > 0, kernel.last_activity, name)
        for name, kernel in kernels.items()
        if getattr(kernel, "execution_state", "") == "idle"
        and (now - kernel.last_activity).total_seconds() > LEFT_S
    ]
    return [name for _, _, name in sorted(left)][: max(0, len(kernels) + 1 - MOST_KERNELS)]


async def make_room(manager: Any) -> None:
    """End the kernels of the pages left longest, where there are as many as may be."""
    now = dt.datetime.now(dt.UTC)
    for name in to_release(manager._kernels, manager._kernel_connections, now):  # noqa: SLF001 - not told otherwise
        with contextlib.suppress(KeyError, HTTPError):  # it has ended meanwhile
            await ensure_async(manager.shutdown_kernel(name, now=True))


def let_go(name: str) -> None:
    """Close what pages hear an ended kernel by: each then asks for it, and says that it is gone."""
    for link in list(ZMQChannelsWebsocketConnection._open_sockets):  # noqa: SLF001 - not told otherwise
        if link.kernel_id == name:
            link.websocket_handler.close()


class KeyGuard(PasswordIdentityProvider):
    """Who has the key; an address that gave wrong ones waits a minute before the next."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self._wrong: dict[str, deque[float]] = {}

    async def get_user_token(self, handler: Any) -> User | None:
        """Whoever has the key in the address."""
        given = bool(self.get_token(handler))
        if given:
            self._let_wait(handler)
        return self._counted(handler, given, await ensure_async(super().get_user_token(handler)))

    def process_login_form(self, handler: Any) -> User | None:
        """Whoever types the key."""
        self._let_wait(handler)
        return self._counted(handler, True, super().process_login_form(handler))

    def _let_wait(self, handler: Any) -> None:
        """Refuse an address that has to wait, the right key too, and say why."""
        wrong, now = self._wrong.get(handler.request.remote_ip, deque()), time.monotonic()
        while wrong and now - wrong[0] > WAIT_S:
            wrong.popleft()
        if len(wrong) >= TRIES:
            left = WAIT_S - (now - wrong[0])
            handler.current_user = None  # the page that says so asks who it is for
            raise HTTPError(429, reason=f"Too many wrong keys from here. Wait {left:.0f} s, then try again")

    def _counted(self, handler: Any, given: bool, user: User | None) -> User | None:
        if given and user is None:
            self._wrong.setdefault(handler.request.remote_ip, deque(maxlen=TRIES)).append(time.monotonic())
        return user


def without_key(record: logging.LogRecord) -> bool:
    """Take keys out of what is logged: addresses are in every message about a failed request."""
    record.msg, record.args = KEY.sub(r"\1…", record.getMessage()), ()
    return True

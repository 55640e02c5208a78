"""The notebooks as pages without code, served to this machine or, when asked, to the shop's network.

Voila runs a notebook for each page that is opened and lets nothing through but moves of its controls:
no code can be sent to it. What it would fetch from elsewhere, our templates leave out, so that pages work
with no network.
"""

from __future__ import annotations

import contextlib
import logging
import os
import secrets
import socket
import tempfile
import webbrowser
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import ChoiceLoader, FileSystemLoader
from jupyter_server.utils import ensure_async
from nbformat import NotebookNode
from tornado.ioloop import IOLoop
from traitlets.config import Config
from voila.app import Voila
from voila.tornado.execution_request_handler import ExecutionRequestHandler

from tubekit.pages.limits import KeyGuard, let_go, make_room, without_key
from tubekit.pages.wording import heading_of, question_of, without_checks, without_menu
from tubekit.setup.lab import WORKBENCH, workbench
from tubekit.text import CAUTION

SHARE = Path(__file__).with_name("share")
TEMPLATE = "tubekit"
PORT = 8866
QUIET = ["--log-level=ERROR"]  # a kernel's remarks about itself help nobody here
ASLEEP_S = 30 * 60  # a page that was left goes on computing for nobody no longer than this
PING_MS = 30_000  # how often the server asks whether a page is still there
_PLAIN = "abcdefghjkmnpqrstuvwxyz23456789"  # nothing that a reader could take for something else
_WIDGETS = ("@voila-dashboards/widgets-manager8", "@jupyter-widgets/jupyterlab-manager", "anywidget")
_STOPPED = (
    "This page stopped here: a check in it failed, or a file could not be read. "
    "Open the notebook in JupyterLab (python3 -m tubekit lab) to see why."
)


@dataclass(frozen=True)
class Wanted:
    """What to serve and to whom.

    Parameters
    ----------
    folder : holds the notebooks.
    first : the notebook that is opened first, relative to `folder`; '' for the list of all.
    lan : listen to the whole network instead of to this machine.
    port : the first port that is tried.
    browser : open the first page in the browser.
    """

    folder: Path
    first: str = ""
    lan: bool = False
    port: int = PORT
    browser: bool = True


def new_key() -> str:
    """A key that can be typed on a tablet: three groups of four, some 59 bits."""
    letters = [secrets.choice(_PLAIN) for _ in range(12)]
    return "-".join("".join(letters[place : place + 4]) for place in (0, 4, 8))


def address_on_the_network() -> str:
    """Address of this machine on the shop's network: its address, or its name where that is not known."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # nothing is sent: it only chooses the way out
        return str(probe.getsockname()[0])
    return socket.gethostname()


class Pages(Voila):
    """Voila with our words, our front page and a key on everything."""

    def __init__(self, wanted: Wanted, say: Callable[[str], None], **settings: Any) -> None:
        super().__init__(**settings)
        self.wanted, self.tell = wanted, say

    def init_settings(self) -> dict[str, Any]:
        """Its settings, with our templates before its own."""
        settings: dict[str, Any] = super().init_settings()
        own = FileSystemLoader(str(SHARE / "voila" / "templates" / TEMPLATE))
        for name in ("voila_jinja2_env", "jinja2_env"):
            settings[name].loader = ChoiceLoader([own, settings[name].loader])
        settings["voila_jinja2_env"].globals.update(pages_under=self._pages_under, caution=CAUTION)
        manager = self.kernel_manager
        manager.start_kernel = partial(self._start_kernel, manager.start_kernel)
        manager.shutdown_kernel = partial(self._shutdown_kernel, manager.shutdown_kernel)
        return settings

    async def _start_kernel(self, start: Callable[..., Any], *args: Any, **options: Any) -> Any:
        await make_room(self.kernel_manager)
        name = await ensure_async(start(*args, extra_arguments=QUIET, **options))
        after = IOLoop.current().add_callback  # others are still to be told over the same links
        self.kernel_manager.add_restart_callback(name, partial(after, let_go, name), "dead")
        return name

    async def _shutdown_kernel(self, shutdown: Callable[..., Any], name: str, **options: Any) -> None:
        await ensure_async(shutdown(name, **options))
        let_go(name)

    def _pages_under(self, folder: str) -> list[tuple[str, str]]:
        """Paths and questions of the notebooks in a folder of the root."""
        root = Path(self.root_dir).resolve()
        here = (root / folder.strip("/")).resolve()
        if not here.is_relative_to(root):
            return []
        return [
            (path.relative_to(root).as_posix(), question_of(path))
            for path in sorted(here.glob("*.ipynb"))
            if not path.name.startswith(".")
        ]

    def address(self, host: str) -> str:
        """Address to type into a browser to reach the first page."""
        first = f"voila/render/{quote(self.wanted.first)}" if self.wanted.first else ""
        return f"http://{host}:{self.port}/{first}?token={self.identity_provider.token}"

    def launch_browser(self) -> None:
        """Called once the server listens: say where, and open the first page if wanted."""
        here = self.address("127.0.0.1")
        self.tell(f"pages: {here}")
        if self.wanted.lan:
            for line in caution(self.address(address_on_the_network())):
                self.tell(line)
        self.tell("press Ctrl-C to stop")
        if self.wanted.browser:
            with contextlib.suppress(webbrowser.Error):
                webbrowser.open(_way_in(here).as_uri())


def _way_in(address: str) -> Path:
    """A file that leads to `address`: on a command line, other users of the machine could read the key."""
    handle, name = tempfile.mkstemp(suffix=".html", prefix="tubekit-")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(
            '<!DOCTYPE html><meta charset="utf-8"><title>tubekit</title><meta http-equiv="refresh" '
            f'content="0;url={address}"><a href="{address}">Open the pages</a>\n'
        )
    return Path(name)


def caution(address: str) -> Iterator[str]:
    """Caution for someone who opens the pages to a network."""
    yield f"on the tablet, open {address}"
    yield (
        "CAUTION: anyone with this address can move the controls, read the amps, and write the files "
        "that pages write. Traffic over the air is not encrypted. Use it only on the shop's own "
        "network, never on a guest or public one, and press Ctrl-C when you are done"
    )
    yield "CAUTION: keep your hands out of the chassis while you read; values are calculated, not measured"


def _for_a_page(_handler: Any, notebook: NotebookNode, cwd: str) -> NotebookNode:  # noqa: ARG001 - as called
    book = without_checks(without_menu(notebook))
    if title := heading_of(book):
        book.metadata["title"] = title
    return book


def settings(wanted: Wanted) -> Config:
    """Voila's settings: nothing from outside, no code, one look, a key that is asked for."""
    config = Config()
    config.Voila.ip = "0.0.0.0" if wanted.lan else "127.0.0.1"  # noqa: S104 - only when asked, with a key
    config.Voila.port = wanted.port
    config.Voila.token = new_key()
    config.Voila.identity_provider_class = KeyGuard
    config.Voila.root_dir = str(wanted.folder)
    config.Voila.log_level = "ERROR"
    config.Voila.open_browser = True  # it then calls launch_browser, which does as `browser` says
    look = config.VoilaConfiguration
    look.template, look.theme = TEMPLATE, "light"
    look.allow_template_override = look.allow_theme_override = "NO"
    look.classic_tree = True
    look.progressive_rendering = True  # the panel can be moved while the rest is still worked out
    look.extension_allowlist = list(_WIDGETS)
    look.prelaunch_hook = _for_a_page
    config.VoilaExecutor.cell_error_instruction = _STOPPED
    # A timeout of one interval cuts whoever answers while the server is busy with something else.
    pings = {"ws_ping_interval": PING_MS, "ws_ping_timeout": 3 * PING_MS}
    config.Voila.tornado_settings = pings
    config.MappingKernelManager.cull_idle_timeout = ASLEEP_S
    config.MappingKernelManager.cull_interval = 120
    # Started again after it died, a kernel would know none of what its page shows.
    config.KernelRestarter.restart_limit = 0
    return config


def serve(wanted: Wanted, say: Callable[[str], None]) -> None:
    """Serve until stopped by Ctrl-C."""
    ExecutionRequestHandler._executor = None  # noqa: SLF001 - a page left before its first step asks for it
    # Its templates are found along this path, and kernels of this environment before others.
    result = os.environ.get("JUPYTER_PATH")
    os.environ["JUPYTER_PATH"] = os.pathsep.join([str(SHARE), *([result] if result else [])])
    os.environ["JUPYTER_PREFER_ENV_PATH"] = "1"
    os.environ[WORKBENCH] = workbench(wanted.folder)
    pages = Pages(wanted, say, config=settings(wanted))
    pages.initialize([])
    for name in ("tornado.access", "tornado.application", "tornado.general", pages.log.name):
        logging.getLogger(name).addFilter(without_key)
        logging.getLogger(name).setLevel(logging.ERROR)  # a page that asks for its ended kernel is no error
    pages.start()

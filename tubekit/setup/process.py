"""Other programs: which environment variables they get, and how a stop reaches them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

STDERR = 2  # what set-up prints must not mix with a command's answer
GRACE = 10.0  # seconds that a program has to end by itself

# Each would send the installation or the interpreter somewhere else than into .venv.
_ASTRAY = (
    "CONDA_PREFIX",
    "PIP_PREFIX",
    "PIP_ROOT",
    "PIP_TARGET",
    "PYTHONHOME",
    "PYTHONPATH",
    "UV_BREAK_SYSTEM_PACKAGES",
    "UV_PROJECT_ENVIRONMENT",
    "UV_PYTHON",
    "UV_SYSTEM_PYTHON",
    "VIRTUAL_ENV",
    "__PYVENV_LAUNCHER__",
)


def clean_environment(venv: Path, environ: Mapping[str, str]) -> dict[str, str]:
    """`environ` for a program that works in `venv`. Indexes, proxies and caches stay as the user set them."""
    kept = {name: value for name, value in environ.items() if name not in _ASTRAY}
    return {**kept, "VIRTUAL_ENV": str(venv)}


def run(command: Sequence[str], *, cwd: Path, env: Mapping[str, str]) -> int:
    """Exit code of `command`, whose output goes to stderr. A stop of this process stops it too."""
    # In a session of its own Ctrl-C does not reach it, so it dies without a traceback, children and all.
    process = subprocess.Popen(
        command, cwd=cwd, env=env, stdin=subprocess.DEVNULL, stdout=STDERR, start_new_session=True
    )
    try:
        return process.wait()
    except BaseException:
        if sys.platform != "win32":
            with suppress(ProcessLookupError):  # it may have ended in this very moment
                os.killpg(process.pid, signal.SIGTERM)
        _end(process)
        raise


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(GRACE)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextmanager
def stops_raise() -> Iterator[None]:
    """Within it, SIGTERM and a closed terminal unwind like any exit, so that children end too."""
    names = [signal.SIGTERM]
    if sys.platform != "win32":
        names.append(signal.SIGHUP)

    def leave(number: int, _frame: FrameType | None) -> None:
        sys.exit(128 + number)

    before = {name: signal.signal(name, leave) for name in names if signal.getsignal(name) == signal.SIG_DFL}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def run_in_front(command: Sequence[str], *, cwd: Path, env: Mapping[str, str]) -> int:
    """Exit code of a program that owns the terminal until it ends; 130 when Ctrl-C ended it.

    Ctrl-C reaches the program itself, which knows better how to stop; this process waits for that.
    """
    interrupted = False

    def note(_number: int, _frame: FrameType | None) -> None:
        nonlocal interrupted
        interrupted = True

    before = signal.signal(signal.SIGINT, note)
    try:
        with stops_raise():
            process = subprocess.Popen(command, cwd=cwd, env=env)
            try:
                code = process.wait()
            except BaseException:
                _end(process)
                raise
    finally:
        signal.signal(signal.SIGINT, before)
    if code and interrupted:
        return 128 + signal.SIGINT
    return 128 - code if code < 0 else code


def go_on_in(python: Path, arguments: Sequence[str], env: Mapping[str, str]) -> int:
    """Start the same command in the environment's Python. Returns (an exit code) on Windows only."""
    command = [str(python), "-m", "tubekit", *arguments]
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name != "nt":
        os.execve(python, command, dict(env))
    return run_in_front(command, cwd=Path.cwd(), env=env)

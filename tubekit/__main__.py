"""``python3 -m tubekit ...``: sets the checkout up where that is needed, then does what was asked.

This file runs on Pythons too old for the rest, so that they get a sentence instead of a traceback.
"""

import contextlib
import os
import sys
import typing

OLDEST = (3, 11)
SETUP_FAILED = 75  # 'try again', the number that sysexits.h gives a temporary failure
INTERRUPTED = 130  # 128 + SIGINT, as shells count
PIPE_CLOSED = 141  # 128 + SIGPIPE


def too_old(version: "typing.Tuple[int, ...]", executable: str) -> str:
    """What to tell the owner of an old Python; '' when it is new enough.

    Examples
    --------
    >>> too_old((3, 11, 0), "python3")
    ''
    >>> too_old((3, 9, 2), "python3")[:54]
    'tubekit needs Python 3.11 or newer, and python3 is 3.9'
    """
    if version[:2] >= OLDEST:
        return ""
    return (
        "tubekit needs Python {}.{} or newer, and {} is {}.{}: run the same command with a newer one, "
        "for example python3.12 -m tubekit."
    ).format(OLDEST[0], OLDEST[1], executable, version[0], version[1])


class Unheard:
    """Standard error as long as it takes what is written; then silence, and the exit code still says it."""

    def __init__(self, stream: "typing.Any") -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write what can be written."""
        try:
            return int(self._stream.write(text))
        except OSError:
            return len(text)

    def flush(self) -> None:
        """Pass on what can be passed on."""
        with contextlib.suppress(OSError):
            self._stream.flush()

    def __getattr__(self, name: str) -> "typing.Any":
        return getattr(self._stream, name)


def run(arguments: "typing.Optional[typing.Sequence[str]]" = None) -> int:
    """Exit code of the command given in `arguments` (those of this process if None)."""
    words = too_old(tuple(sys.version_info[:3]), sys.executable or "python3")
    if words:
        sys.stderr.write(words + "\n")
        return 1
    stream = sys.stderr
    sys.stderr = typing.cast("typing.TextIO", Unheard(stream))
    try:
        return _set_up_and_do(list(sys.argv[1:] if arguments is None else arguments))
    except KeyboardInterrupt as stop:
        sys.stderr.write("\ntubekit: {}.\n".format(str(stop) or "stopped"))
        return INTERRUPTED
    except BrokenPipeError:
        # The reader (head, less) has gone; without this the interpreter complains once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except OSError as error:
        if error.filename is not None:
            raise
        # No file of ours: the terminal or the file that the answer goes to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.stderr.write("tubekit: the answer could not be written: {}.\n".format(error.strerror or error))
        return 1
    finally:
        sys.stderr = stream


def _set_up_and_do(arguments: "typing.List[str]") -> int:
    from tubekit.setup.bootstrap import ensure
    from tubekit.setup.install import SetupError

    try:
        ensure(arguments)
    except SetupError as error:
        sys.stderr.write("tubekit: {}\n".format(error))
        return SETUP_FAILED
    from tubekit.cli import main

    try:
        return int(main(arguments) or 0)
    finally:  # after --help too: what the reader or the disk does not take is said here, not at exit
        sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(run())

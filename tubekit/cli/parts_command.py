"""The command `parts`: a parts list into another kind of file, or a template to fill in."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from tubekit.cli.arguments import Asked, change_words, changed_amp, command
from tubekit.errors import InputError


def add_parts(commands: Any) -> None:
    """Add the command."""
    parser = command(
        commands, "parts", "Write an amp out as a parts list, or make a blank list to fill in.", _parts
    )
    parser.add_argument("amp", metavar="AMP", nargs="?", help="a demo amp (see 'amps'), or any amp file")
    parser.add_argument("--to", metavar="FILE", help="write it as .csv, .xlsx or .toml")
    parser.add_argument("--template", metavar="FILE", help="write a list to fill in, .csv or .xlsx")
    change_words(parser)
    parser.add_argument("--overwrite", action="store_true", help="allow it to overwrite a file")


def _parts(asked: Asked) -> Any:
    from tubekit.amp.parts_list import template
    from tubekit.files import write_whole

    if (asked.amp is None) == (asked.template is None):
        raise InputError(
            "nothing to write" if asked.amp is None else "give an amp or --template, not both",
            fix="Type parts teasel --to teasel.xlsx, or for a blank list parts --template my-amp.xlsx",
        )
    if asked.template is not None:
        path = Path(asked.template)
        write_whole(path, template(path.suffix, path.name), overwrite=asked.overwrite)
    else:
        amp = changed_amp(asked)
        if asked.to is None:
            return amp
        path = amp.save_as(asked.to, overwrite=asked.overwrite)
    print(f"tubekit: written: {path}", file=sys.stderr)
    return None

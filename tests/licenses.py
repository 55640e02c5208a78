"""Every package that an installed tubekit brings along, with its license, as the package itself states it.

    python -m tests.licenses [extra ...]

Read from the metadata of what is installed (`importlib.metadata`; PEP 639, then PEP 301 classifiers).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.say import say
from tubekit.text import Table, headed


def needed(name: str, extras: Sequence[str] = ("",)) -> dict[str, Distribution]:
    """What a distribution needs with these extras, and what that needs, by name, as far as installed."""
    result: dict[str, Distribution] = {}
    open_ = [(name, tuple(extras))]
    while open_:
        one, wanted = open_.pop()
        try:
            found = distribution(one)
        except PackageNotFoundError:
            continue
        result[canonicalize_name(one)] = found
        for text in found.requires or ():
            asked = Requirement(text)
            here = asked.marker is None or any(asked.marker.evaluate({"extra": e}) for e in ("", *wanted))
            if here and canonicalize_name(asked.name) not in result:
                open_.append((asked.name, tuple(asked.extras)))
    del result[name]
    return dict(sorted(result.items()))


def license_of(one: Distribution) -> str:
    """The license expression, else the classifiers, else the first line of the license field."""
    classifiers = [
        each.rpartition(":: ")[2] for each in one.metadata.get_all("Classifier", ()) if "License ::" in each
    ]
    named = (one.metadata.get("License") or "").strip().splitlines()[:1]
    return one.metadata.get("License-Expression") or ", ".join(classifiers) or "".join(named)


def licenses(extras: Sequence[str]) -> Table:
    """A row for each package."""
    rows = [(name, one.version, license_of(one)) for name, one in needed("tubekit", extras).items()]
    return Table("Licenses of what tubekit needs", headed("package", "version", "license"), rows)


if __name__ == "__main__":
    say(licenses(sys.argv[1:]).text())

"""A module that has the name of a function hides behind it: `import a.b as c` then gives the function."""

from __future__ import annotations

import pkgutil

import pytest

from tubekit import panels, plots

STILL_ONE = {"tubekit.plots": {"ratings"}}


@pytest.mark.parametrize("room", [panels, plots])
def test_no_module_has_the_name_of_a_function(room) -> None:
    modules = {each.name for each in pkgutil.iter_modules(room.__path__)}
    assert modules & set(room.__all__) == STILL_ONE.get(room.__name__, set())

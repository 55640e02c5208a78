"""A module that has the name of a function hides behind it, and a panel can be made that lacks a method."""

from __future__ import annotations

import inspect
import pkgutil
from importlib import import_module

import pytest

from tubekit import panels, plots
from tubekit.panels.panel import Panel

# `import a.b as c` gives the function
STILL_ONE = {"tubekit.plots": {"ratings"}}


@pytest.mark.parametrize("room", [panels, plots])
def test_no_module_has_the_name_of_a_function(room) -> None:
    modules = {each.name for each in pkgutil.iter_modules(room.__path__)}
    assert modules & set(room.__all__) == STILL_ONE.get(room.__name__, set())


def test_every_panel_has_what_its_base_leaves_open() -> None:
    made = {
        each
        for room in pkgutil.iter_modules(panels.__path__)
        for each in vars(import_module(f"{panels.__name__}.{room.name}")).values()
        if isinstance(each, type) and issubclass(each, Panel) and each.__name__ in panels.__all__
    }
    assert len(made) > 8
    open_ = {
        f"{each.__name__}.{name}"
        for each in made
        for name in dir(each)
        if getattr(inspect.getattr_static(each, name), "__isabstractmethod__", False)
    }
    assert open_ == set()

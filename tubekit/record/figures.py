"""Which figures go with which result."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tubekit import plots
from tubekit.amp import AmpReport
from tubekit.amp.discharge import Discharge
from tubekit.bench.suspects import Suspects
from tubekit.decisions import SwapReport
from tubekit.decisions.judge import Judgement
from tubekit.plots.drawing import Drawing


def figures_of(result: Any) -> Iterator[Drawing]:
    """Figures of one result; none for kinds that have only tables."""
    if isinstance(result, SwapReport):
        yield plots.before_after(result)
        yield plots.ratings(result)
    elif isinstance(result, AmpReport) and result.amp.batch is None:
        yield plots.rails(result)
        yield plots.ripple(result)
    elif isinstance(result, Judgement) and result.verdicts:
        yield plots.bands(result)
    elif isinstance(result, Suspects):
        yield plots.chances(result)
    elif isinstance(result, Discharge):
        yield plots.discharge(result)

"""The bench panel's figure: every reading on its band, from what the panel has worked out."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets

from tubekit.bench.fault_prediction import FaultPrediction
from tubekit.decisions.judge import Judgement
from tubekit.decisions.spread import Spread
from tubekit.panels.bench_check import Checked
from tubekit.panels.picture import LivePicture
from tubekit.plots import ink
from tubekit.plots.reading_bands import BandRow, ReadingBandsView, paper_for

MOST_ROWS = 24


class BandsFigure:
    """Draws rows; a new figure only where places or bands are others."""

    def __init__(self) -> None:
        self.frame = widgets.VBox([], layout=widgets.Layout(width="100%"))
        self.view: ReadingBandsView | None = None
        self.picture: LivePicture

    def show(self, rows: Sequence[BandRow]) -> None:
        """These rows; the first two dozen where there are more."""
        rows = tuple(rows[:MOST_ROWS])
        with ink.style():
            if self.view is None or not self.view.fits(rows):
                figure = paper_for(rows)
                self.view = ReadingBandsView(figure, rows)
                self.picture = LivePicture(figure, self.view.moving)
                self.frame.children = [self.picture.image]
                return
            self.view.show(rows)
            self.picture.refresh()

    def gray_out(self) -> None:
        """The marks are those of an earlier list."""
        if self.view is not None:
            self.view.fade(True)
            self.picture.refresh()


def band_rows(
    checked: Checked, bands: Spread, found: Judgement | None, foretold: FaultPrediction | None
) -> tuple[BandRow, ...]:
    """Every place of a list with its band, and what was read there (the meter's load taken off)."""
    at = {probe: k for k, probe in enumerate(bands.probes)}
    verdicts = {v.reading.probe: v for v in found.verdicts} if found is not None else {}
    told = dict(zip(foretold.probes, foretold.free, strict=True)) if foretold is not None else {}
    rows = []
    for probe in dict.fromkeys(probe for _, probe in sorted(checked.probes.items())):
        k, verdict = at[probe], verdicts.get(probe)
        low, typical, high = (float(side[k]) for side in (bands.low, bands.median, bands.high))
        rows.append(
            BandRow(
                str(probe).removeprefix("DC volts at ").removeprefix("DC volts, "),
                low, typical, high, f"{probe.format(low)} – {probe.format(high)}",
                None if verdict is None else verdict.unloaded,
                "" if verdict is None else verdict.reading.describe(),
                "" if verdict is None else verdict.word,
                None if probe not in told else float(told[probe]),
            )
        )  # fmt: skip
    return tuple(rows)

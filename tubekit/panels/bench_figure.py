"""The bench panel's figure: every reading on its band, from what the panel has worked out."""

from __future__ import annotations

from collections.abc import Sequence

from tubekit.bench.fault_prediction import FaultPrediction
from tubekit.decisions.judge import Judgement, Verdict
from tubekit.decisions.probe import Probe
from tubekit.decisions.spread import Spread
from tubekit.panels.bench_sheet import Checked
from tubekit.panels.figure_widget import FigureWidget
from tubekit.plots import ink
from tubekit.plots.spread_bands import BandRow, ReadingBandsView, paper_for

MOST_ROWS = 24


def bands_figure(rows: Sequence[BandRow]) -> FigureWidget[tuple[BandRow, ...]]:
    """A figure for these rows; `fits` of its view says whether others can be shown on it."""
    paper = paper_for(rows).get_size_inches() * ink.DPI
    return FigureWidget(ReadingBandsView, tuple(rows), size=(round(paper[0]), round(paper[1])))


def band_rows(
    checked: Checked, bands: Spread, found: Judgement | None, prediction: FaultPrediction | None
) -> tuple[BandRow, ...]:
    """Every place of a list with its band, and what was read there (the meter's load taken off)."""
    at = {probe: k for k, probe in enumerate(bands.probes)}
    verdicts = {v.reading.probe: v for v in found.verdicts} if found is not None else {}
    told = dict(zip(prediction.probes, prediction.free, strict=True)) if prediction is not None else {}
    rows = []
    for probe in dict.fromkeys(probe for _, probe in sorted(checked.probes.items())):
        predicted = None if probe not in told else float(told[probe])
        rows.append(band_row(bands, at[probe], verdicts.get(probe), predicted))
    return tuple(rows)


def band_row(bands: Spread, k: int, verdict: Verdict | None, predicted: float | None = None) -> BandRow:
    """One place with its band, and what was read there."""
    probe: Probe = bands.probes[k]
    low, typical, high = (float(side[k]) for side in (bands.low, bands.median, bands.high))
    return BandRow(
        str(probe).removeprefix("DC volts at ").removeprefix("DC volts, "),
        low, typical, high, f"{probe.format(low)} – {probe.format(high)}",
        None if verdict is None else verdict.unloaded,
        "" if verdict is None else verdict.reading.describe(),
        "" if verdict is None else verdict.word,
        predicted,
    )  # fmt: skip

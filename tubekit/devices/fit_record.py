"""Write a fit into the lower part of a tube's file; what stands above the line is left as it is."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from tubekit.devices.law import ParameterLaw
from tubekit.devices.residual import Residual
from tubekit.devices.tube_files import LINE, file_types, tube_data, tube_path

if TYPE_CHECKING:
    from tubekit.devices.fit import Fit


def write_fit(type_: str, fit: Fit) -> None:
    """Replace everything below the line in data/tubes/<type>.toml."""
    path = tube_path(type_)
    upper = path.read_text(encoding="utf-8").split(LINE)[0].rstrip()
    at = [row.at for row in fit.rows if row.trust > 0]
    left = {"usual": fit.usual, "at_bound": fit.at_bound, "conflicts": fit.conflicts}
    lines = [upper, "", LINE, "", *law_lines(fit.law), "", *valid_lines(at), ""]
    lines += [
        "[left]  # open: held near what is usual of its kind, not pinned by rows; at a bound; rows at odds"
    ]
    lines += [f"{name} = {json.dumps(list(words), ensure_ascii=False)}" for name, words in left.items()]
    lines += [
        "",
        "[left.spread_pct]  # what that leaves near the rows, one standard deviation; all: the whole law",
    ]
    lines += [
        f"{name} = {{ " + ", ".join(f"{word} = {value:.1f}" for word, value in spread.items()) + " }"
        for name, spread in fit.leaves.items()
    ]
    path.write_text("\n".join([*lines, "", *residual_lines(fit.residuals), ""]), encoding="utf-8")
    for cached in (file_types, tube_data):
        cached.cache_clear()


def law_lines(law: ParameterLaw) -> Iterable[str]:
    """The [law] table."""
    yield "[law]"
    for name, value in law.parameters().items():
        yield f"{name} = {float(value):.6g}"


def valid_lines(at: Sequence[Mapping[str, float]]) -> Iterable[str]:
    """The [valid] table: range of the voltages of the rows that were used."""
    yield "[valid]  # voltages to cathode of the rows that were used [V]"
    for name in ("plate", "screen", "grid"):
        volts = [each[name] for each in at if name in each]
        if volts:
            yield f"{name} = [{min(volts):g}, {max(volts):g}]"


def residual_lines(residuals: Sequence[Residual]) -> Iterable[str]:
    """The [fitted] table: a line for each figure; error_pct is in points for a distortion."""
    yield "[fitted]"
    yield "rows = ["
    for residual in residuals:
        cells: dict[str, Any] = {
            "row": residual.row,
            "quantity": residual.quantity,
            "unit": residual.unit,
            "published": residual.published,
            "law": residual.law,
            "error_pct": 100.0 * residual.error,
            "used": residual.used,
            "status": residual.status,
            "source": residual.source,
        }
        yield "  { " + ", ".join(f"{name} = {_written(name, value)}" for name, value in cells.items()) + " },"
    yield "]"


def _written(name: str, value: object) -> str:
    if isinstance(value, float):
        return f"{round(value, 1) + 0.0:.1f}" if name == "error_pct" else f"{value:.4g}"
    return json.dumps(value, ensure_ascii=False)

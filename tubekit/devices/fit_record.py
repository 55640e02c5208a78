"""Write a fit into the lower part of a tube's file; what stands above the line is left as it is."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from tubekit.devices.law import ParameterLaw
from tubekit.devices.published import Published
from tubekit.devices.residual import Residual
from tubekit.devices.tube_files import LINE, file_types, tube_data, tube_path


def write_fit(
    type_: str,
    law: ParameterLaw,
    rows: Sequence[Published],
    residuals: Sequence[Residual],
    conflicts: Sequence[str],
) -> None:
    """Replace everything below the line in data/tubes/<type>.toml."""
    path = tube_path(type_)
    upper = path.read_text(encoding="utf-8").split(LINE)[0].rstrip()
    lines = [upper, "", LINE, "", *_law(law), "", *_valid(rows), ""]
    if conflicts:
        lines += [f"conflicts = {json.dumps(list(conflicts), ensure_ascii=False)}", ""]
    for residual in residuals:
        lines += [*_residual(residual), ""]
    path.write_text("\n".join(lines), encoding="utf-8")
    for cached in (file_types, tube_data):
        cached.cache_clear()


def _law(law: ParameterLaw) -> Iterable[str]:
    yield "[law]"
    for name, value in law.parameters().items():
        yield f"{name} = {float(value):.6g}"


def _valid(rows: Sequence[Published]) -> Iterable[str]:
    """Range of the voltages of the rows that were used."""
    yield "[valid]  # voltages to cathode of the rows above zero trust [V]"
    for name in ("plate", "screen", "grid"):
        at = [row.at[name] for row in rows if name in row.at and row.trust > 0]
        if at:
            yield f"{name} = [{min(at):g}, {max(at):g}]"


def _residual(residual: Residual) -> Iterable[str]:
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
    yield "[[fitted]]"
    yield from (f"{name} = {_written(name, value)}" for name, value in cells.items())


def _written(name: str, value: object) -> str:
    if isinstance(value, float):
        return f"{round(value, 1) + 0.0:.1f}" if name == "error_pct" else f"{value:.4g}"
    return json.dumps(value, ensure_ascii=False)

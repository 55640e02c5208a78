"""The pictures a question can be drawn on, by their names."""

from __future__ import annotations

from typing import Any

from tubekit.panels.lessons.sight import ScaleView
from tubekit.panels.lessons.sight_curve import CurveView
from tubekit.panels.lessons.sight_plate import PlateSight

VIEWS: dict[str, Any] = {"scale": ScaleView, "curve": CurveView, "plate": PlateSight}

"""Judgement: is a change good, which ratings does it use up?"""

from tubekit.decisions.limits import Limits, limits
from tubekit.decisions.rating import Finding, RatingCheck
from tubekit.decisions.swap import SwapReport, swap

__all__ = ["Finding", "Limits", "RatingCheck", "SwapReport", "limits", "swap"]

"""Panels: sliders over results, drawn off-screen into image widgets."""

from tubekit.panels.amp_form_panel import AmpForm, amp_form
from tubekit.panels.bench_panel import BenchPanel, bench
from tubekit.panels.cable_panel import CablePanel, cable
from tubekit.panels.cathode_bias_panel import CathodeBiasPanel, cathode_bias
from tubekit.panels.drawing_panel import DrawingFold, drawing
from tubekit.panels.hum_panel import HumPanel, hum
from tubekit.panels.hunt_page import HuntPage, ProgressPage
from tubekit.panels.lesson_page import LessonPage
from tubekit.panels.lessons import lesson, lesson_picture, my_progress
from tubekit.panels.load_line_panel import LoadLinePanel, load_line
from tubekit.panels.part_swap_panel import PartSwap, part_swap
from tubekit.panels.record_panel import RecordPanel, record
from tubekit.panels.start_panel import StartPanel, start
from tubekit.panels.substitutes_panel import SubstitutesPanel, substitutes
from tubekit.panels.supply_panel import SupplyPanel, supply
from tubekit.panels.tone_panel import TonePanel, tone

__all__ = [
    "AmpForm",
    "BenchPanel",
    "CablePanel",
    "CathodeBiasPanel",
    "DrawingFold",
    "HumPanel",
    "HuntPage",
    "LessonPage",
    "LoadLinePanel",
    "PartSwap",
    "ProgressPage",
    "RecordPanel",
    "StartPanel",
    "SubstitutesPanel",
    "SupplyPanel",
    "TonePanel",
    "amp_form",
    "bench",
    "cable",
    "cathode_bias",
    "drawing",
    "hum",
    "lesson",
    "lesson_picture",
    "load_line",
    "my_progress",
    "part_swap",
    "record",
    "start",
    "substitutes",
    "supply",
    "tone",
]

"""Panels: sliders over results, drawn off-screen into image widgets; each is loaded when first opened."""

from tubekit.lazy import lazy_names

_HOMES = {
    "amp_form_panel": ("AmpForm", "amp_form"),
    "bench_panel": ("BenchPanel", "bench"),
    "cable_panel": ("CablePanel", "cable"),
    "cathode_bias_panel": ("CathodeBiasPanel", "cathode_bias"),
    "drawing_panel": ("DrawingFold", "drawing"),
    "hum_panel": ("HumPanel", "hum"),
    "job_panel": ("JobPanel", "job"),
    "hunt_page": ("HuntPage",),
    "lesson_page": ("LessonPage",),
    "listen_panel": ("ListenPanel", "listen"),
    "lessons": ("lesson", "lesson_picture", "my_progress"),
    "load_line_panel": ("LoadLinePanel", "load_line"),
    "part_swap_panel": ("PartSwap", "part_swap"),
    "progress_page": ("ProgressPage",),
    "record_panel": ("RecordPanel", "record"),
    "start_panel": ("StartPanel", "start"),
    "substitutes_panel": ("SubstitutesPanel", "substitutes"),
    "supply_panel": ("SupplyPanel", "supply"),
    "tone_panel": ("TonePanel", "tone"),
}
__getattr__, __all__ = lazy_names(__name__, _HOMES)

"""One job from the door to hand-back: its journal, what is still fitted, what to measure next."""

from tubekit.jobs.actions import new_job, read, to_buy
from tubekit.jobs.job import Job, open_job
from tubekit.jobs.owner import sentences
from tubekit.jobs.progress import next_step
from tubekit.jobs.sheets import sheet
from tubekit.jobs.visits import compare, hand_back

__all__ = [
    "Job",
    "compare",
    "hand_back",
    "new_job",
    "next_step",
    "open_job",
    "read",
    "sentences",
    "sheet",
    "to_buy",
]

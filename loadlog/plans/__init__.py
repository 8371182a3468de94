"""Plans: runs that start by themselves (`schedule`) and end on what was measured (`stops`). Orders go to the recorder; samples come from
the recordings, so a restart of this process changes nothing that was counted."""

from loadlog.plans.forms import plans_json
from loadlog.plans.in_force import InForce, PlanSet
from loadlog.plans.schedule import Start, check_plan, next_start
from loadlog.plans.service import Plans

__all__ = ["InForce", "PlanSet", "Plans", "Start", "check_plan", "next_start", "plans_json"]

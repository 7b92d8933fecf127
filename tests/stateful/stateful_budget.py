"""How long the machines run. Law: new histories at every run, and a failing one prints what replays it.

TORPOR_STATEFUL_TIMES=50 python -m pytest tests/stateful runs fifty times as many.
"""

import os

from hypothesis import HealthCheck, settings

TIMES = int(os.environ.get("TORPOR_STATEFUL_TIMES", "1"))


def budget(histories, steps):
    """Settings for a machine: so many histories of so many steps at most."""
    return settings(
        max_examples=histories * TIMES,
        stateful_step_count=steps,
        deadline=None,
        derandomize=False,
        print_blob=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
    )

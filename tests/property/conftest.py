"""Hypothesis profiles: few and always the same examples in CI, new random ones elsewhere.

`PROPERTY_EXAMPLES=10000` tries that many a test: do so after a change to the core.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

# Whole rigs take a while to draw on a busy machine; a slow draw is no fault of the project.
_common = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None)

settings.register_profile("ci", _common, max_examples=60, derandomize=True)
settings.register_profile(
    "local", _common, max_examples=int(os.environ.get("PROPERTY_EXAMPLES", "100"))
)
settings.load_profile("ci" if os.environ.get("CI") == "true" else "local")

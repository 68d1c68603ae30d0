"""Settings of the whole test suite."""

import os

from hypothesis import settings

# In CI the same examples every time: a change is judged by itself, not by the luck of the draw.
# Everywhere else new examples are drawn at every run.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

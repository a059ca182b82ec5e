"""What all tests share: hypothesis repeats itself on the build machine and explores elsewhere."""

import os

from hypothesis import settings

settings.register_profile("bench", deadline=None)
settings.register_profile("build", deadline=None, derandomize=True)
settings.load_profile("build" if os.environ.get("CI") == "true" else "bench")

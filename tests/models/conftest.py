"""Property tests here find the same cases on every machine, and no test depends on the clock."""

from hypothesis import settings

settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.load_profile("repeatable")

"""What holds for every test."""

from hypothesis import settings

# A machine may be slow or busy: no test is about how long an example takes.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

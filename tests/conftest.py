"""Settings for every test."""

import os

from hypothesis import HealthCheck, settings

# A busy machine is no fault of the code: an example may take as long as it takes.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")

# Whatever the locale of the person who runs the tests: it may ask for ASCII signs.
os.environ["LC_ALL"] = "C.UTF-8"

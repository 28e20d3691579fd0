"""Property tests take as long as they take: a busy machine must not fail them."""

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

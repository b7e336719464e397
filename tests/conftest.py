"""What all tests share: no deadline for one example, since a busy machine is no fault."""

from hypothesis import settings

settings.register_profile("blend", deadline=None)
settings.load_profile("blend")

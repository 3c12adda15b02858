"""Lets the tests of every kind import the helpers that lie in this directory; settings that hold for all of them."""

from hypothesis import settings

# an example's time says how busy the machine is, not whether the code is right
settings.register_profile("house", deadline=None)
settings.load_profile("house")

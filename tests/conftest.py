"""Lets the tests of every kind import the helpers that lie in this directory; settings that hold for all of them."""

import signal

from hypothesis import settings

# an example's time says how busy the machine is, not whether the code is right
settings.register_profile("house", deadline=None)
settings.load_profile("house")

# A run in the background may have been started with these ignored, which every program that it starts would inherit.
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)

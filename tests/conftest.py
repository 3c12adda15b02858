"""Lets the tests of every kind import the helpers that lie in this directory."""

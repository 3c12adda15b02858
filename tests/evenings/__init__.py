"""The catalogue of evenings that go wrong: what happened, what an honest answer may be, what was said. See README.md."""

"""The virtual rig: a simulator of soaks, and a rig on a pseudo-terminal that speaks the line protocol."""

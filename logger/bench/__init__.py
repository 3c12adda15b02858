"""What a rig on the bench reads right now, with noise, rate and quality. `window` is pure, `commands` has the port."""

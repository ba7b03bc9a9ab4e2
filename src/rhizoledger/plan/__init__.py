"""The plan: the one place where the domains meet. Pure: no file, no clock, no loading."""

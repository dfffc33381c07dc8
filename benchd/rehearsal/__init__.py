"""A simulated bench with physics of its own: truth for demo and tests; shares no code with physics/ or watchers/."""

"""Where inputs come from: one kind a file."""

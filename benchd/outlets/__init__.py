"""Where words go: one kind a file."""

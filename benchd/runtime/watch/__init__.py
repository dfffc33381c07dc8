"""The watch itself: inputs into the engine's thread, commits and their gate, recovery, tasks kept running."""

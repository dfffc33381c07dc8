"""One file a command; only these print."""

"""What people read in a terminal or a log: one way out, one line an event."""

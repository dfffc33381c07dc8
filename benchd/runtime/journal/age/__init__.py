"""How long the journal keeps what: sealed loads, idle lines, and what its owner chose an age for."""

"""What a bench sends to its shop, read from its journal."""

"""Files: written whole or not at all, secrets read, what was packed unpacked up to a bound."""

"""How things are written down: recordings, printed findings, JSON Schemas, text made printable."""

"""The written formats: recordings, printed findings, JSON Schemas, text made printable."""

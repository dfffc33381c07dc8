"""Recordings and the journal: a stretch extracted, a file imported, readings as SenML."""

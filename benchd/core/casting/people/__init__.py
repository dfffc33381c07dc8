"""Whose hand a mark is from, and who of several has the watch."""

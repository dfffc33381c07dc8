"""The journal: one SQLite file, its rows, locks and copies; written by one connection, read by the reader."""

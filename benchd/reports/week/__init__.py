"""Reports a week: what benchd got wrong, what it learned, which measurement would help most."""

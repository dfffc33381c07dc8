"""PURE: molds, lots and amounts."""

"""PURE: the types, the table of words, pours and loads, alerts, and the engine that steps them."""

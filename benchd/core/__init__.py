"""PURE: the types, the table of phrases, pours and loads, alerts, and the engine that steps them."""

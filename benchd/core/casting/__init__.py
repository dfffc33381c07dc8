"""Keeps track of casting: open pours and loads, the newest facts, marks and their meaning, the day's run sheet."""

"""How casting is kept: open pours and loads, the newest facts, marks and what they mean, the day's run sheet."""

"""What the journal's past says: habits, lots, molds, the shelf, the room at a moment."""

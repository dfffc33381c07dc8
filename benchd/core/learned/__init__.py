"""What was learned of resins, lots, molds and habits, and the working time that follows from it."""

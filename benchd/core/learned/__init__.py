"""Beliefs learned about resins, lots, molds and habits, and the working time that follows from them."""

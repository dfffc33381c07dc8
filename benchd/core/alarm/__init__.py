"""Turns findings into alarms and calls: the phrase table, the alert book, the one voice."""

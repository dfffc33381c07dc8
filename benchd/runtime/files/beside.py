"""The names of the files that a running bench keeps beside its journal; importing them loads nothing."""

from __future__ import annotations

ORDERS = "orders.json"
RUN_SHEET = "sheet.json"

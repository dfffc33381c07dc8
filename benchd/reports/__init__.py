"""One-page reports drawn from the journal."""

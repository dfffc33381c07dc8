"""How an input becomes readings: lines decoded, boards counted, raw numbers scaled and calibrated."""

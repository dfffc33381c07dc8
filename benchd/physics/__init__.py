"""PURE: formulas and solvers with units, validity and source; knows nothing of benches."""

"""Takes what benches sent from a broker or a cluster, commits it, and only then acknowledges it."""

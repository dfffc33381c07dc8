"""The commands, one file each; only these print."""

"""The daemon's HTTP interface and the phone page."""

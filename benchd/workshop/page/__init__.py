"""The shop's page: the wall as it is now, and the books."""

"""The seats of watchers: their contract, the roster that routes events to them, and parts shared by several of them."""

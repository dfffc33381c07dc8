"""A watcher's seat: the contract, the roster that shows events to watchers, what several of them are made with."""

"""PURE: the watchers, one subject each.  A watcher receives readings, marks, findings and ticks; it returns findings.

Every file here keeps the contract of `core/seat/watcher.py`; `tests/watchers/test_contract.py` checks the whole folder.
"""

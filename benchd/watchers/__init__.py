"""PURE: one question a file.  A watcher sees readings, marks, findings and ticks; it answers with findings.

The contract every file here keeps is `core/seat/watcher.py`; `tests/watchers/test_contract.py` runs it over the folder.
"""

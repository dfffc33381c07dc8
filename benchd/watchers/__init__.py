"""PURE: one question a file.  A watcher sees readings, marks, findings and ticks; it answers with findings.

The contract every file here keeps is `benchd.core.seat.watcher`; `tests/watchers/test_contract.py` runs it over the folder.
"""

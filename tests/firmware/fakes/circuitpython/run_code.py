"""Runs a CircuitPython program among the fakes: python run_code.py code.py.  Its `time` is the virtual one."""

import importlib.util
import runpy
import sys
from importlib.machinery import PathFinder

spec = PathFinder.find_spec("time")
assert spec is not None
assert spec.loader is not None
sys.modules["time"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["time"])
runpy.run_path(sys.argv[1], run_name="__main__")

"""A simulated bench with physics of its own: truth for demo and tests; shares no code with physics/ or watchers/.

resin, layers, cure, parts   how cups and mold sections react and harden, and when each truly gelled
vessel, supply, pot_run      the pot's air, where it comes from, the pot's day by the script
probes, board                what the probes make of it, and the bytes the board sends
acts, scenario, scenario_file, strict_tables, scenarios/   the script: its acts, types, strict TOML, shipped ones
rehearsal, recording, pty_board   running it: frames, a line as recordings have it, a serial port
"""

from benchd.rehearsal.pty_board import PtyBoard
from benchd.rehearsal.recording import line_record
from benchd.rehearsal.rehearsal import Frame, Rehearsal, Truth
from benchd.rehearsal.scenario import Scenario
from benchd.rehearsal.scenario_file import load_scenario, scenario_names

__all__ = [
    "Frame",
    "PtyBoard",
    "Rehearsal",
    "Scenario",
    "Truth",
    "line_record",
    "load_scenario",
    "scenario_names",
]

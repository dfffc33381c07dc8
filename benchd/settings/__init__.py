"""Reads what people write about a bench (bench.toml, shelf.toml, resins/) and checks that it holds together.

    lines     the line a key is on              toml_file    a file, its complaints
    shapes    the tables of bench.toml, shelf.toml, resins/NAME.toml
    toml_tables    [name], [name.ID] and [[name]] found and checked
    bench_table, vessels, channels, labels, plug_ins, place    tables -> the core's types, figures checked
    places    where all the files are; move_in, origin: how a service takes over shelf and resins
    loading   all of it: `load`          restart   which changes, once read again, need a restart

`benchd.plugins.load_settings` is `load` with the plug-ins this installation has.
"""

from benchd.settings.bench_table import PageAddress
from benchd.settings.loading import Loaded, load
from benchd.settings.plug_ins import Catalogue

__all__ = ["Catalogue", "Loaded", "PageAddress", "load"]

"""What a worker needs, loaded once in the process of which workers are forks."""

from __future__ import annotations

import gc
from importlib import import_module
from pkgutil import walk_packages

import flowdiag
from flowdiag.diagnoser.findings import __path__ as _findings

# numpy, pandas, pyarrow and the house's own come with these.
for _module in (
    "flowdiag.pipeline",
    "flowdiag.comparing",
    "flowdiag.export_ranking",
    "flowdiag.export_usage",
    "flowdiag.frames",
    "flowdiag.rollup.asking",
    "flowdiag.collector.store.statistics",
    "flowdiag.collector.store.reading",
    "flowdiag.note.compose",
    "flowdiag.note.html",
    "flowdiag.note.json_note",
    "flowdiag.note.markdown",
    "flowdiag.note.text",
    "flowdiag.note.svg_chart",
    "flowdiag.note.svg_stack",
    "flowdiag.text.csv_table",
    "flowdiag.watch.look",
):
    import_module(_module)
for _found in walk_packages(_findings, "flowdiag.diagnoser.findings."):
    import_module(_found.name)
assert flowdiag.__version__
gc.collect()
gc.freeze()  # forks share what is there as long as nobody looks through it

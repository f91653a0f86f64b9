"""What a worker needs, loaded once in the process of which workers are forks."""

from __future__ import annotations

import gc
from importlib import import_module
from pkgutil import walk_packages
from typing import Final

from flowdiag.note.html import compile_templates

# With these come numpy, pandas, pyarrow and whatever of the house is imported at the head of a file.
_MODULES: Final = (
    "flowdiag.collector.store.opening",
    "flowdiag.collector.store.reading",
    "flowdiag.collector.store.statistics",
    "flowdiag.comparing",
    "flowdiag.draft.proposal",
    "flowdiag.export_ranking",
    "flowdiag.export_usage",
    "flowdiag.forms.top",
    "flowdiag.forms.usage",
    "flowdiag.frames",
    "flowdiag.inspection",
    "flowdiag.pipeline",
    "flowdiag.site.reading",
    "flowdiag.watch.look",
    "pyarrow.pandas_compat",
)
# With all that lies in them, which is imported where it is called.
_PACKAGES: Final = (
    "flowdiag.desk.asking",
    "flowdiag.diagnoser.findings",
    "flowdiag.note",
    "flowdiag.review",
    "flowdiag.rollup",
)

for _module in _MODULES:
    import_module(_module)
for _package in _PACKAGES:
    for _found in walk_packages(import_module(_package).__path__, f"{_package}."):
        if _found.name != __name__:
            import_module(_found.name)
compile_templates()
gc.collect()
gc.freeze()  # forks share what is there as long as nobody looks through it

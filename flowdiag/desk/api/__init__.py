"""The same objects as the pages show, as JSON for programs, below /api/.

`operation.py` has the shape of the one table from which requests are read and the description is drawn; each other module has
the rows of one kind of object; `pages.py` puts them together and adds /api/openapi.json.
"""

__all__ = ["pages"]

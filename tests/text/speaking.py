"""Renders what people read, in the language of pseudo.py: `python -m tests.text.speaking [MODULE EXPRESSION WORDS]`.

One JSON object on standard output: the text of each thing by its name. With three words, that module has these words for
that expression, and one note is enough.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.text.pseudo import install

if __name__ == "__main__":
    put_in = {sys.argv[1]: (sys.argv[2], sys.argv[3])} if len(sys.argv) > 1 else None
    install(put_in)

from tests.text.rendering import everything, one_note

if __name__ == "__main__":
    with TemporaryDirectory() as folder:
        json.dump(dict(one_note() if put_in else everything(Path(folder))), sys.stdout)

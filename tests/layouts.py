"""A sheet is laid out once in a run: the layout takes seconds and gives the same bytes.

Tests of the layout itself, and all that runs the command, lay out anew.
"""

import hashlib
import os
import pickle
import tempfile
from pathlib import Path

from dossier.report import render
from dossier.report.layout import pdf as layout

ANEW = layout.lay_out


def remember_in(folder, patch):
    """Have the layouts of this process kept in `folder`, which all workers of a run share.

    The charts follow from what is attached, but where no whole case is: that is laid out anew.
    """

    def once(sheet, picture=None):
        if not any(name.endswith("/case.toml") for name, *_ in sheet.attached):
            return ANEW(sheet, picture)
        path = Path(folder, hashlib.sha256(repr(sheet).encode()).hexdigest())
        if path.is_file():
            return pickle.loads(path.read_bytes())
        made = ANEW(sheet, picture)
        handle, name = tempfile.mkstemp(dir=folder)
        with os.fdopen(handle, "wb") as file:
            file.write(pickle.dumps(made))
        Path(name).replace(path)
        return made

    put(once, patch)


def put(lay_out, patch):
    """Set what lays out a sheet, wherever it is looked up."""
    for module in (layout, render):
        patch.setattr(module, "lay_out", lay_out)

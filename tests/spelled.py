"""The demo cases with every record and instrument spelled out in case.toml, for tests that edit it.

What stands in `runs.csv`, `instruments.csv` and under [defaults] is written as [[record]] and
[[instrument]] tables, so that a test can change one key of one record by its text.
"""

import atexit
import shutil
import tempfile
import tomllib
from pathlib import Path

from dossier.case.model import Conditions, Instrument, RecordEntry
from dossier.case.whole import made_whole

SOURCE = Path(__file__).parents[1] / "inputs"
TABLES = ("instruments", "runs", "defaults")


def _value(value):
    if isinstance(value, dict):
        if set(value) == {"value"}:
            return _value(value["value"])
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return f'"{value}"' if isinstance(value, str) else f"{value}"


def _ordered(table, model):
    return {key: table[key] for key in model.model_fields if key in table}


def _block(head, table, model):
    lines = [f"[[{head}]]"]
    table = _ordered(table, model)
    lines += [f"{key} = {_value(each)}" for key, each in table.items() if key != "conditions"]
    if table.get("conditions"):
        lines += ["", "[record.conditions]"]
        lines += [
            f"{key} = {_value(each)}"
            for key, each in _ordered(table["conditions"], Conditions).items()
        ]
    return "\n".join(lines) + "\n\n"


def spell_out(folder):
    """Write case.toml of a copied demo case anew, and leave out the tables that stood beside it."""
    path = folder / "case.toml"
    text = path.read_text("utf-8")
    document = tomllib.loads(text)
    whole = made_whole(document, lambda name: (folder / name).read_bytes()).document
    for key in ("instruments", "runs"):
        (folder / document[key]).unlink()
    blocks = "".join(_block("instrument", each, Instrument) for each in whole["instrument"])
    records = "".join(_block("record", each, RecordEntry) for each in whole["record"])
    kept, skip = [], False
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            skip = line.startswith("[defaults")
            if line.startswith(("[[deviation]]", "[[concession]]")) and records:
                kept.append(records)
                records = ""
            if line.startswith("[[fluid]]") and blocks:
                kept.append(blocks)
                blocks = ""
        if not skip and not line.startswith(tuple(f"{key} = " for key in TABLES)):
            kept.append(line)
    path.write_text("".join(kept) + records, "utf-8")


def _spelled():
    made = Path(tempfile.mkdtemp(prefix="spelled-")) / "inputs"
    shutil.copytree(SOURCE, made)
    for name in ("polder-pumps", "ropeway-drive", "chain-ferry"):
        spell_out(made / name)
    atexit.register(shutil.rmtree, made.parent, ignore_errors=True)
    return made


INPUTS = _spelled()

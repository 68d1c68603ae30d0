"""Values as they are written in a TOML file by hand."""

import json

__all__ = ["quoted"]


def quoted(text: str) -> str:
    """Return `text` as a basic string of TOML, on one line, whatever characters it holds."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")

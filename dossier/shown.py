"""Words of a case or of a foreign file on their way to a terminal."""

__all__ = ["shown"]


def shown(text: object) -> str:
    """Return text as one line in which nothing can steer the terminal, hide or turn words.

    A box stands for each control or direction character, a space for each line break and tab.
    """
    from dossier.report.format import clean

    spaced = str(text).replace("\r\n", " ").replace("\n", " ").replace("\t", " ")
    return clean(spaced).encode("utf-8", "replace").decode()

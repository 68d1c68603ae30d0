"""The characters of a CSV file: UTF-8, or what spreadsheets and old instruments write instead."""

import codecs

from dossier.case.tables.raw_table import Note, TableError

STEP = 2**20
BYTE_ORDER_MARK = codecs.BOM_UTF8


def as_utf8(content: bytes) -> tuple[bytes, tuple[Note, ...]]:
    """Return the content as UTF-8 without byte order mark, and notes on how it was read.

    UTF-16 is known by its byte order mark.  Other text that is not UTF-8 is taken for Latin-1 as
    long as it keeps to the characters that Latin-1 and Windows-1252 share.  Raises TableError with
    the row where neither is possible.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _utf16(content), (Note.UTF16,)
    if b"\x00" in content:
        raise TableError("", "holds NUL bytes", "this is not a CSV file; export it again")
    if content.isascii():
        return content, ()
    at = _first_bad(content)
    if at is None:
        return content.removeprefix(BYTE_ORDER_MARK), ()
    if content.startswith(BYTE_ORDER_MARK):
        raise _not_text(content, at)
    for byte in range(0x80, 0xA0):
        odd = content.find(byte)
        if odd >= 0:
            raise _not_text(content, odd)
    return content.decode("latin-1").encode(), (Note.LATIN,)


def _utf16(content: bytes) -> bytes:
    try:
        text = content.decode("utf-16")
    except UnicodeDecodeError as error:
        raise TableError(
            f"byte {error.start + 1}", "not UTF-16 text", "save the file again as CSV in UTF-8"
        ) from None
    if "\x00" in text:
        raise TableError("", "holds NUL bytes", "this is not a CSV file; export it again")
    return text.encode()


def _first_bad(content: bytes) -> int | None:
    """Return the first byte that is not UTF-8, or None; the text is looked through by pieces."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    for start in range(0, len(content), STEP):
        held = len(decoder.getstate()[0])
        try:
            decoder.decode(content[start : start + STEP], final=start + STEP >= len(content))
        except UnicodeDecodeError as error:
            return start - held + error.start
    return None


def _not_text(content: bytes, at: int) -> TableError:
    row = content.count(b"\n", 0, at) + 1
    return TableError(
        f"row {row}",
        f"not UTF-8 text, and byte {at + 1} (0x{content[at]:02X}) is not Latin-1 either",
        "save the file again as CSV in UTF-8",
    )

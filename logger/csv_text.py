"""From the bytes of a file to clean UTF-8 text with one kind of line end.

Loggers, spreadsheets and serial monitors write the same table in many encodings. Whatever follows works on UTF-8 bytes
in which every line ends with a line feed, so that line numbers are those an editor shows.
"""

from __future__ import annotations

import re
from typing import Final

_HEAD: Final = 65536  # enough to judge what kind of file this is
_NOT_TEXT: Final = {
    b"PK\x03\x04": "a zip archive or an .xlsx workbook",
    b"\xd0\xcf\x11\xe0": "an .xls workbook",
    b"\x1f\x8b": "a gzip archive",
    b"PAR1": "a Parquet file",
    b"ARROW1": "an Arrow file",
    b"%PDF": "a PDF document",
    b"SQLite format 3": "an SQLite database",
    b"{\\rtf": "a word processor's document",
}
_CONTROL: Final = bytes(c for c in range(32) if c not in b"\t\n\r\f\x1a\x1b\0")


class CsvRefused(ValueError):  # noqa: N818 (a refusal is an answer)
    """A file that cannot be read as readings; the message says what was seen, what is needed and what to do."""


def clean_text(data: bytes) -> tuple[bytes, str, list[str]]:
    r"""Return the text as UTF-8 with ``\n`` line ends, the encoding it came in, and what had to be said about it.

    Raises
    ------
    CsvRefused
        If there is nothing in the file, or it is no text.
    """
    warnings: list[str] = []
    for magic, what in _NOT_TEXT.items():
        if data.startswith(magic):
            msg = f"this is {what}, not text. Needed is a CSV file: save or export the table as CSV, then give that file."
            raise CsvRefused(msg)
    text, encoding = _as_utf8(data)
    # A recorder that lost power leaves a tail of zeros: the file system had made room that was never written.
    stripped = text.rstrip(b"\0\x1a")
    if text[len(stripped) :].count(0):
        warnings.append(f"{len(text) - len(stripped)} zero bytes at the end of the file left out (a recording cut by a power loss?)")
    text = stripped
    if not text or text.isspace():
        msg = "the file is empty. Needed are lines with a time and a pressure: check that the logger wrote anything."
        raise CsvRefused(msg)
    head = text[:_HEAD]
    strange = len(head) - len(head.translate(None, _CONTROL))
    if strange > 0.05 * len(head) or head.count(0) > 0.3 * len(head):
        msg = "this is not text (it holds control characters throughout). Needed is a CSV file: export the readings as CSV or text."
        raise CsvRefused(msg)
    if b"\r" in text:
        text = text.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return text, encoding, warnings


def _as_utf8(data: bytes) -> tuple[bytes, str]:
    if data.startswith(b"\xef\xbb\xbf"):
        return _checked(data[3:], "UTF-8 with byte order mark")
    for bom, codec in (
        (b"\xff\xfe\0\0", "utf-32-le"),
        (b"\0\0\xfe\xff", "utf-32-be"),
        (b"\xff\xfe", "utf-16-le"),
        (b"\xfe\xff", "utf-16-be"),
    ):
        if data.startswith(bom):
            return _plain_digits(data[len(bom) :].decode(codec, "replace").encode()), codec.upper()[:6]
    head = data[: _HEAD // 16]
    for start, codec in ((1, "utf-16-le"), (0, "utf-16-be")):
        high = head[start::2]  # of Latin text, every second byte is zero
        if len(high) > 3 and high.count(0) > 0.9 * len(high) and head[1 - start :: 2].count(0) < 0.05 * len(high):
            return _plain_digits(data.decode(codec, "replace").encode()), "UTF-16"
    return _checked(data, "UTF-8")


def _checked(data: bytes, encoding: str) -> tuple[bytes, str]:
    if data.isascii():
        return data, "ASCII" if encoding == "UTF-8" else encoding
    try:
        data.decode()
    except UnicodeDecodeError:
        # A few broken bytes far down do not make a UTF-8 file another one: the head, which holds the names, decides.
        try:
            head = data[: data.rfind(b"\n", 0, _HEAD) + 1]
            if not head.isascii() and head.decode():
                return _plain_digits(data.decode("utf-8", "replace").encode()), encoding
        except UnicodeDecodeError:
            pass
        return _plain_digits(_windows_1252(data).encode()), "Windows-1252"
    return _plain_digits(data), encoding


def _windows_1252(data: bytes) -> str:
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _plain_digits(text: bytes) -> bytes:
    """Write typographic signs within numbers the plain way: a true minus, thousands apart by a fixed space."""
    text = text.replace("\u2212".encode(), b"-").replace(b"\xef\xbb\xbf", b"")
    return (
        re.sub("(?<=[0-9])[\u00a0\u202f\u2009](?=[0-9]{3})", "'", text.decode()).encode()
        if re.search(b"\xc2\xa0|\xe2\x80[\xaf\x89]", text)
        else text
    )

"""The capture file (firmware-notes/capture-format.md): text in, arrays out, with what is wrong with it said."""

from analysis.capture.file import from_rows, header_of, load, parse

__all__ = ["from_rows", "header_of", "load", "parse"]

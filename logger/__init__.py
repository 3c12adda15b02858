"""Bytes on a line, to records, to the journal."""

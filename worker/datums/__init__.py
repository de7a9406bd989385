"""Datum reference frames: where the piece's own datums put the part's axes."""

"""Ports: a centreline, sections square to it on nominal and on the piece, and what they may flow."""

"""Sections of a surface by a plane, and what a surface closed by a plane holds."""

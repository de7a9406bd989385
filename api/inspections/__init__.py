"""Inspections: ordering, following, cancelling, reading the report."""

"""The audit log of a workspace; :mod:`shared.audit` writes it."""

"""``python -m shared.schemas``: write the published schemas anew."""

from shared.schemas import write_schemas

write_schemas()

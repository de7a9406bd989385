"""Tables of tolerances and material values, each with where its figures come from."""

from shared.tolerances.expansion import Expansion, expansion_of
from shared.tolerances.resolve import Limited, ResolvedLimits, limit_faults, resolve_limits

__all__ = ["Expansion", "Limited", "ResolvedLimits", "expansion_of", "limit_faults", "resolve_limits"]

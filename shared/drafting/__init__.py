"""A starting plan from the list of a nominal's features."""

from shared.drafting.draft import draft_plan
from shared.drafting.lines import DraftChoices
from shared.drafting.words import feature_words

__all__ = ["DraftChoices", "draft_plan", "feature_words"]

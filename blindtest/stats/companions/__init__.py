"""What else should be looked at beside a result, as far as the data allow: each look in a sentence and a few words."""

from blindtest.stats.companions.choices import attribute_companions, choice_companions
from blindtest.stats.companions.companion import Companion
from blindtest.stats.companions.preferences import preference_companions
from blindtest.stats.companions.ratings import rating_companions, survival_companions

__all__ = [
    "Companion",
    "attribute_companions",
    "choice_companions",
    "preference_companions",
    "rating_companions",
    "survival_companions",
]

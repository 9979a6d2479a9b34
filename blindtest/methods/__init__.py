"""Test methods: facts and pure functions, one file each. This room imports nothing of ours."""

from blindtest.methods.abx import ABX
from blindtest.methods.adjustment import ADJUSTMENT
from blindtest.methods.confidence import CONFIDENCE_LEVELS, CONFIDENCE_PROMPT
from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, Value
from blindtest.methods.duo_trio import DUO_TRIO
from blindtest.methods.familiarisation import FAMILIARISATION
from blindtest.methods.forced_choice import THREE_AFC, TWO_AFC
from blindtest.methods.free_listening import FREE_LISTENING
from blindtest.methods.level_trial import guess_rate
from blindtest.methods.multi_stimulus import MULTI_STIMULUS
from blindtest.methods.preference import PREFERENCE
from blindtest.methods.rating import RATING, RATING_SINGLE
from blindtest.methods.recognition import RECOGNITION
from blindtest.methods.same_different import SAME_DIFFERENT
from blindtest.methods.small_impairment import SMALL_IMPAIRMENT
from blindtest.methods.stage_pair import STAGE_PAIR
from blindtest.methods.staircase import STAIRCASE, STAIRCASE_WEIGHTED, default_numbers, settles_at
from blindtest.methods.tetrad import TETRAD
from blindtest.methods.threshold_bayes import THRESHOLD_BAYES
from blindtest.methods.triangle import TRIANGLE

METHODS: dict[str, Method] = {
    method.name: method
    for method in (
        ABX,
        TRIANGLE,
        DUO_TRIO,
        TETRAD,
        SAME_DIFFERENT,
        TWO_AFC,
        THREE_AFC,
        STAIRCASE,
        STAIRCASE_WEIGHTED,
        THRESHOLD_BAYES,
        PREFERENCE,
        STAGE_PAIR,
        RATING,
        RATING_SINGLE,
        MULTI_STIMULUS,
        SMALL_IMPAIRMENT,
        RECOGNITION,
        FREE_LISTENING,
        FAMILIARISATION,
        ADJUSTMENT,
    )
}
"""The table of methods. Adding one: a file, a name in this tuple, a test file, a page of the guide."""

__all__ = [
    "ABX",
    "ADJUSTMENT",
    "CONFIDENCE_LEVELS",
    "CONFIDENCE_PROMPT",
    "DUO_TRIO",
    "FAMILIARISATION",
    "FREE_LISTENING",
    "METHODS",
    "MULTI_STIMULUS",
    "PREFERENCE",
    "RATING",
    "RATING_SINGLE",
    "RECOGNITION",
    "SAME_DIFFERENT",
    "SMALL_IMPAIRMENT",
    "STAGE_PAIR",
    "STAIRCASE",
    "STAIRCASE_WEIGHTED",
    "TETRAD",
    "THREE_AFC",
    "THRESHOLD_BAYES",
    "TRIANGLE",
    "TWO_AFC",
    "Drawn",
    "Method",
    "Outcome",
    "Question",
    "Setting",
    "Slot",
    "Source",
    "Value",
    "default_numbers",
    "guess_rate",
    "settles_at",
]

"""Texts of claims that a new study folder is made of: tables to fill in, each with its comments."""

__all__ = [
    "CLAIM",
    "CLAIMS_OF_TUNING",
    "CLAIM_BY_SOUND",
    "CLAIM_INTRO",
    "CLAIM_OF",
    "CLAIM_OF_A_SCALE",
    "MARGIN_OF_PAIRS",
]

CLAIM = """

# What is claimed. Without this table: that the two conditions can be told apart, by the margin of the protocol.

# [[claim]]
# id = "different"
# kind = "heard"
# device = "first"
# comparator = "second"
# margin = 0.5                           # share of trials heard beyond guessing that would matter
"""


CLAIMS_OF_TUNING = """

# What is claimed. Each claim is answered by a block of its own; what would refute it, `blindtest check` says.

[[claim]]
id = "heard"                             # can the correction be heard?
kind = "heard"
device = "native"                        # A of the test
comparator = "corrected"                 # B
# margin = 0.5                           # share of trials heard beyond guessing that would matter; else the protocol's

[[claim]]
id = "liked"                             # is it preferred?
kind = "preferred"
device = "corrected"                     # what is preferred: name it first
comparator = "native"
# margin = 0.3                           # probability of a preference beyond 1/2 that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
"""


CLAIM_OF_A_SCALE = """
[[claim]]
id = "higher"
kind = "attribute"
device = "first"                         # what is rated higher: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = {margin:<29}# {unit} that matter; else the protocol's
# attribute = "quality"                  # which scale, where the protocol rates several
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "clearly the cleaner one"      # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
"""


CLAIM_INTRO = """

# What is claimed. What would refute it, `blindtest check` says.
"""


MARGIN_OF_PAIRS = "# margin = 15                            # percentage points of preference beyond 50"


CLAIM_OF = {
    "heard": """
[[claim]]
id = "different"
kind = "heard"
device = "first"                         # A of the test
comparator = "second"                    # B
# margin = 0.5                           # share of trials heard beyond guessing that would matter; else the protocol's
""",
    "preferred": """
[[claim]]
id = "preferred"
kind = "preferred"
device = "first"                         # what is preferred: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 0.3                           # probability of a preference beyond 1/2 that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "more of it, please"           # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "attribute": """
[[claim]]
id = "more"
kind = "attribute"
device = "first"                         # what has more of it: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 1.0                           # d' along the attribute that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "more bass"                    # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "threshold": """
[[claim]]
id = "enough"                            # what is claimed: a bump of 2 dB is enough to be heard
kind = "threshold"
device = "bump"                          # the condition with the grid
comparator = "clip"                      # what every level is held against
margin = 2                               # the level, in the unit of the grid
""",
    "stage": """
[[claim]]
id = "peak"                              # what is claimed: the hump is heard. Another stage, another claim
kind = "stage"
device = "first"                         # the condition with the factors
stage = "hump"                           # which of them
# effect = "either"                      # raises or lowers: what it does to ratings; then the other way refutes it
# margin = 8                             # points of 100 that matter; else the protocol's
# quote = "a peak in the voices"         # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "matched": """
[[claim]]
id = "as-loud"                           # what is claimed: the match holds for these listeners, within half a dB
kind = "matched"
device = "second"                        # the condition with the grid: what they set
comparator = "first"                     # what they set it equal to
margin = 0.5                             # how far from the match the mean setting may lie, in the unit of the grid
""",
    "keeps listening": """
[[claim]]
id = "stays"
kind = "keeps listening"
device = "first"                         # what listeners choose to play on: name it first
comparator = "second"
# clips = "all"                          # or the ids of the tracks it holds for
# margin = 0.3                           # probability of a choice beyond 1/2 that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "I can't stop listening"       # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "rated": """
[[claim]]
id = "better"
kind = "rated"
device = "first"                         # what is rated higher: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 8                             # points of 100 that matter; else the protocol's
# kept = 0.667                           # share of the labelled effect that counts as surviving
# quote = "could not put it down"        # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
}


CLAIM_BY_SOUND = """
[[claim]]
id = "better"
kind = "rated"                           # its sound is rated above, whatever name it bears
device = "first"                         # what is rated higher: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 8                             # points of 100 that matter; else the protocol's
# quote = "could not put it down"        # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
"""

"""Studies side by side: what their bundles say of one claim, whether it can be pooled, and what comes out.

`published` reads a bundle, `alike` says what keeps studies from being pooled, `effects` puts their results on one
scale, `pooling` pools them, `step` is the command.
"""

from blindtest.steps.comparison.step import Comparison, compare

__all__ = ["Comparison", "compare"]

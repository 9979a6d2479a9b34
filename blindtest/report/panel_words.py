"""What a report says of a readers' panel, whose listeners used what they have, and of what they agreed to."""

from dataclasses import dataclass
from typing import Any

from blindtest.report.words import plural

__all__ = ["OWN_EQUIPMENT", "OWN_LEVEL", "ConsentFacts", "consent_words"]

OWN_EQUIPMENT = (
    "Listeners of the panel used equipment of their own, which nobody measured: what is found holds for one condition "
    "against another over whatever each of them wore, not for how a device sounds by itself."
)
OWN_LEVEL = (
    "Each listener of the panel set the level on equipment of their own, by a noise as loud as the programme: how loud "
    "it was at their ears is not known."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsentFacts:
    """Who agreed to what, of a panel."""

    texts: tuple[tuple[str, int], ...]
    """SHA-256 (hex) of each text that was agreed to, and by how many who are on record; most first."""
    sealed: str | None
    """That of the text that stands in the study seal."""
    withdrawn: int
    """Listeners who agreed and had everything erased later."""
    never_began: int
    """Who agreed and had no sitting."""
    left_after: tuple[tuple[str, int], ...] | None = None
    """Of these, how many left after each step, which was the last that they had behind them; None where it isn't known.
    Steps: consent, questions, output, screening."""
    tested: int | None = None
    """Who finished the tests of what they play on; None where there are none."""
    failed: int = 0
    """Of these, who failed one of them."""
    turned_away: int = 0
    """Of these, who therefore took no further part, as sealed."""

    @property
    def agreed(self) -> int:
        """Listeners who agreed and are on record."""
        return sum(count for _, count in self.texts)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "agreed": self.agreed,
            "texts": [
                {"sha256": text, "listeners": count, "sealed": text == self.sealed} for text, count in self.texts
            ],
            "withdrawn": self.withdrawn,
            "never_began": self.never_began,
            **({} if self.left_after is None else {"left_after": dict(self.left_after)}),
            "tested": self.tested,
            "failed": self.failed,
            "turned_away": self.turned_away,
        }


_AFTER = {
    "consent": "after they had agreed",
    "questions": "after the questions",
    "screening": "after the tests of what they play on",
}


def _left_words(facts: ConsentFacts) -> str:
    """Return at which step those left who never began; '' where nobody did, or it isn't known."""
    output = "in the tests of what they play on" if facts.tested is not None else "before the first sound"
    left = [
        f"{count} {output if step == 'output' else _AFTER[step]}" for step, count in facts.left_after or () if count
    ]
    return f"Where they left: {', '.join(left)}." if left else ""


def consent_words(facts: ConsentFacts) -> tuple[str, ...]:
    """Return it sentence by sentence."""
    words = [
        f"{plural(facts.agreed, 'listener')} of the panel agreed to the consent text before the first question and "
        f"{'is' if facts.agreed == 1 else 'are'} on record; {facts.never_began} of them never began a sitting. "
        + (f"{facts.withdrawn} more withdrew and had everything erased." if facts.withdrawn else "Nobody withdrew.")
    ]
    if left := _left_words(facts):
        words.append(left)
    words += [
        f"To the text with the SHA-256 {text}{' (the one sealed with the study)' if text == facts.sealed else ''}: "
        f"{plural(count, 'listener')}."
        for text, count in facts.texts
    ]
    if any(text != facts.sealed for text, _ in facts.texts) and facts.sealed is not None:
        words.append("Not all of them agreed to the text that was sealed with the study: it was another on their page.")
    if facts.tested is not None:
        words.append(
            f"{facts.tested} finished the tests of what they play on; {facts.failed} of them failed one, and "
            f"{facts.turned_away} took no further part for it."
        )
    return tuple(words)

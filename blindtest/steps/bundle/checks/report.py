"""What page and Markdown block of a bundle say was planned and found, against seal and record.

Figures and the rest of the page follow from nothing else in the bundle. But the verdicts, which are what is read, are
worded again from the answers, and have to be the only ones on page and block.
"""

import re
from collections.abc import Sequence
from html import unescape
from typing import TYPE_CHECKING

from blindtest.report import Said, clean, escaped_markdown, names_of, said_of
from blindtest.steps.bundle.opening import OpenedBundle
from blindtest.steps.gathering.claim import Truths, claim_result
from blindtest.steps.gathering.sound import condition_facts
from blindtest.steps.verification import Finding

if TYPE_CHECKING:
    from blindtest.steps.answers.study import Answers
    from blindtest.study import Study

__all__ = ["check_report"]

PAGE, BLOCK = "report/report.html", "report/report.md"
_CARD = re.compile(r'<p class="word">(.*?)</p>\s*<p class="sentence">(.*?)</p>', re.DOTALL)
_LINE = re.compile(r"^\*\*Result: (.*?)\.\*\*.*$", re.MULTILINE)


def check_report(bundle: OpenedBundle, answers: "Answers", study: "Study", *, worded: bool) -> Finding:
    """Hold what page and Markdown block say against seal and results.

    worded : verdicts are worded here as they were there (the same source, and results that are the same to the byte);
        else only the words of the verdicts are compared, and not what is said with them
    """
    block, page = (
        bundle.path(name).read_bytes().decode("utf-8") if name in bundle.names else "" for name in (BLOCK, PAGE)
    )
    wrong = []
    for name, text in ((BLOCK, block), (PAGE, page)):
        if answers.seal.commitment not in text:
            wrong.append(f"{name} does not name the study seal")
        wrong += [f"{name} does not say {one.word!r}" for one in answers.claims if one.word not in text.casefold()]
    apart = _verdicts_apart if worded else _words_apart
    wrong += [f"{name} gives another verdict than the answers" for name in apart(block, page, _said(answers, study))]
    what = "the report names the study seal, and gives every claim the verdict that follows, and no other"
    told = "" if worded else "the words of the verdicts alone, not what is said with them"
    return Finding(ok=not wrong, what=what, detail="; ".join(wrong[:3]) or told)


def _said(answers: "Answers", study: "Study") -> list[Said]:
    names = names_of([condition_facts(study, condition.id) for condition in study.conditions])
    return [said_of(claim_result(one, answers, Truths()), names) for one in answers.claims]


def _verdicts_apart(block: str, page: str, said: Sequence[Said]) -> list[str]:
    """Return the files whose verdicts are not these, letter by letter."""
    lines = [f"**Result: {one.word}.** {escaped_markdown(one.sentence)}" for one in said]
    cards = [(clean(one.word), clean(one.sentence)) for one in said]
    there = [(clean(unescape(word)), clean(unescape(sentence))) for word, sentence in _CARD.findall(page)]
    found = [match[0] for match in _LINE.finditer(block)]
    return [name for name, fits in ((BLOCK, found == lines), (PAGE, there == cards)) if not fits]


def _words_apart(block: str, page: str, said: Sequence[Said]) -> list[str]:
    """Return the files whose verdicts have other words; one that another source lays out otherwise has none."""
    words = [clean(one.word) for one in said]
    found = {BLOCK: _LINE.findall(block), PAGE: [clean(unescape(word)) for word, _ in _CARD.findall(page)]}
    return [name for name, there in found.items() if there and there != words]

"""What listeners of a panel played on, as far as tests can tell: counts, published error rates, and who passed."""

from dataclasses import dataclass
from typing import Any

from blindtest.design import PUBLISHED, TRIALS, PublishedRates, ScreeningRules
from blindtest.report.claim_facts import ClaimResult
from blindtest.stats import TrueShare, true_share

__all__ = ["DevicesFacts", "ScreenedFacts", "ScreeningFacts", "ScreeningTestFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningTestFacts:
    """One test over all listeners."""

    name: str
    pass_mark: int
    tries: int
    by_guessing: float
    """The chance that guesses alone pass it, over all its tries."""
    taken: int
    """Listeners who finished the first try."""
    passed_first: int
    passed: int
    """By the last try of each."""
    unfinished: int
    """Listeners who began it and left."""
    verdicts: tuple[tuple[str, int], ...] = ()
    """channels: what else than passed the last try ended as, and how often."""
    published: PublishedRates | None = None
    share: TrueShare | None = None
    """Truly on headphones, from the first tries; None where the published rates don't hold or nobody took it."""

    @classmethod
    def of(
        cls,
        rules: ScreeningRules,
        name: str,
        *,
        taken: int,
        passed_first: int,
        passed: int,
        unfinished: int,
        verdicts: tuple[tuple[str, int], ...] = (),
    ) -> "ScreeningTestFacts":
        """Return a test with what the papers say of it, and the share that follows where they say it of this test."""
        test = next(one for one in rules.tests if one.name == name)
        published = PUBLISHED.get(name)
        share = None
        if published is not None and published.pass_mark == test.pass_mark and taken:
            share = true_share(
                passed_first,
                taken,
                with_passed=published.headphones_passed,
                with_tested=published.headphones,
                without_passed=published.loudspeakers_passed,
                without_tested=published.loudspeakers,
            )
        return cls(
            name=name,
            pass_mark=test.pass_mark,
            tries=test.tries,
            by_guessing=test.by_guessing,
            taken=taken,
            passed_first=passed_first,
            passed=passed,
            unfinished=unfinished,
            verdicts=verdicts,
            published=published,
            share=share,
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        rates = self.published
        return {
            "test": self.name,
            "trials": TRIALS,
            "pass_mark": self.pass_mark,
            "tries": self.tries,
            "by_guessing": self.by_guessing,
            "taken": self.taken,
            "passed_first": self.passed_first,
            "passed": self.passed,
            "unfinished": self.unfinished,
            "verdicts": dict(self.verdicts),
            "published": None
            if rates is None
            else {
                "false_pass": rates.false_pass,
                "false_fail": rates.false_fail,
                "pass_mark": rates.pass_mark,
                "source": rates.source,
            },
            "share": None if self.share is None else self.share.to_dict(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenedFacts:
    """The primary claim with those alone who passed every test: exploratory, since the seal counts all who sat."""

    listeners: int
    of: int
    """Listeners whose sittings count."""
    result: ClaimResult | None
    """None where nobody passed."""
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicesFacts:
    """Listeners who went on on another device, or in another browser, than they had begun with."""

    listeners: int
    within: int
    """Of these, who did so within a sitting."""
    finished: int
    """Of these, who finished the tests on a further device."""
    passed: int
    """Of these, who passed every test on every further device on which they finished them."""

    def to_dict(self) -> dict[str, int]:
        """Return what JSON can hold."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningFacts:
    """What the screening found."""

    rules: ScreeningRules
    listeners: int
    """Who began it."""
    passed_all: int
    turned_away: int
    tests: tuple[ScreeningTestFacts, ...]
    finished: int = 0
    """Who took them to their end."""
    failed: int = 0
    """Of these, who failed one."""
    rates_hz: tuple[tuple[int, int], ...] = ()
    """Rates at which browsers' own outputs ran, and how many listeners' each; as the browsers say."""
    screened: ScreenedFacts | None = None
    devices: DevicesFacts | None = None
    """None where nobody changed device."""

    @property
    def all_count(self) -> bool:
        """Whether the seal counts everybody, whatever they passed."""
        return self.rules.on_fail == "record"

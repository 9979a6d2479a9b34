"""What plans promise, held against whole studies: simulated, and analysed by what analyses a sitting's answers.

    python tests/stats/simulate_promises.py [KIND...]     writes tests/references/stats/promised_chances.csv

Every row is a plan and a truth, with the chance of a word that `check`, `power` or the report promises (`promised`) and
the share of simulated studies that end so (`found`), its standard error and the seed. What is exact is not simulated:
every count is gone through (`studies` is 0). Ratings are drawn as plans assume them: normal, SD 8 of listeners' own
differences, 4 of clips', 12 of a rating, on a scale without ends.

The tests run a short form.
"""

import csv
import sys
from math import sqrt
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import binom, multinomial, norm

from blindtest.design import factorial
from blindtest.stats import (
    ContrastDesign,
    attribute_chances,
    attribution,
    attribution_of_pairs,
    choice_test,
    conclude,
    conclude_attribute,
    conclude_preference,
    contrast_power,
    label_effect,
    panel_chances,
    panel_choice_chances,
    plan_chances,
    preference_chances,
    same_different_power,
    same_different_test,
    scale_contrast,
    survival,
    two_ac_power,
    two_ac_test,
)
from blindtest.stats.scale_contrast import clips_as_a_sample
from blindtest.study.rated_reach import LABELLED_EFFECT, SD_MODE, rated_reach
from blindtest.study.scale_reach import GRADES, scale_reach
from blindtest.study.stage_reach import stage_pair_reach, stage_reach
from blindtest.study.unreliable_reach import unreliable_reach

TABLE = Path(__file__).parents[1] / "references" / "stats" / "promised_chances.csv"
FIELDS = ("kind", "plan", "truth", "word", "promised", "found", "std_error", "studies", "seed")
SEED = 20_261_127
SD_LISTENER, SD_CLIP, SD_RATING, SD_PREFERENCE = 8.0, 4.0, 12.0, 15.0


def row(kind, plan, truth, word, promised, words, seed):
    """Return a row of the table; `words`: of each simulated study, or the exact chance."""
    if isinstance(words, float):
        found, error, studies = words, 0.0, 0
    else:
        studies = len(words)
        found = sum(one == word for one in words) / studies
        error = sqrt(max(found * (1 - found), 1 / studies) / studies)
    return {
        "kind": kind, "plan": plan, "truth": truth, "word": word, "promised": round(float(promised), 5),
        "found": round(found, 5), "std_error": round(error, 5), "studies": studies, "seed": seed,
    }  # fmt: skip


# Right answers, pairs and choices of one listener: every count, through the whole conclusion


def counted(kind, plan, chances, word_of, trials, at):
    """Return the rows of a plan of one listener; `at`: the proportion right where each word is true."""
    words = [word_of(count) for count in range(trials + 1)]
    for word, proportion in at.items():
        exact = float(sum(binom.pmf(k, trials, proportion) for k in range(trials + 1) if words[k] == word))
        yield row(kind, plan, f"{proportion:.4g} right", word, getattr(chances, f"chance_{word}"), exact, "")


def of_one_listener(studies):
    for method, trials, margin, guess in (("abx", 28, 0.5, 0.5), ("abx", 60, 0.2, 0.5), ("triangle", 24, 0.4, 1 / 3)):
        yield from counted(
            f"heard, {method}", f"{trials} trials, margin {margin:g}",
            plan_chances(trials, method=method, margin=margin),
            lambda k, n=trials, m=method, d=margin: conclude(k, n, method=m, margin=d).word,
            trials, {"shown": guess + (1 - guess) * margin, "negligible": guess},
        )  # fmt: skip
    for trials, margin, direction in ((20, 0.3, "two-sided"), (60, 0.2, "two-sided"), (40, 0.2, "claimed")):
        yield from counted(
            "preferred", f"{trials} pairs, margin {margin:g}, {direction}",
            preference_chances(trials, margin=margin, direction=direction),
            lambda k, n=trials, d=margin, w=direction: conclude_preference(k, n - k, margin=d, direction=w).word,
            trials, {"shown": 0.5 + margin, "refuted": 0.5 - margin, "negligible": 0.5},
        )  # fmt: skip
    for method, trials, margin in (("2afc", 40, 1.0), ("3afc", 40, 1.0)):
        right = {"2afc": lambda d: norm.cdf(d / sqrt(2)), "3afc": _three}[method]
        yield from counted(
            f"attribute, {method}", f"{trials} trials, margin d' {margin:g}",
            attribute_chances(trials, method=method, margin=margin),
            lambda k, n=trials, m=method, d=margin: conclude_attribute(k, n, method=m, margin=d).word,
            trials, {"shown": right(margin), "refuted": right(-margin), "negligible": right(0.0)},
        )  # fmt: skip


def of_named_pairs(studies):
    """Pairs without a guess rate of their own: every table of counts, by the exact tests of the analysis."""
    trials, d, tau = 20, 1.5, 0.5
    below, upto = norm.cdf((-tau - d) / sqrt(2)), norm.cdf((tau - d) / sqrt(2))
    shares = (below, upto - below, 1 - upto)
    tables = [(a, b, trials - a - b) for a in range(trials + 1) for b in range(trials + 1 - a)]
    shown = [multinomial.pmf(one, trials, shares) for one in tables if two_ac_test(*one).p_value <= 0.05]
    promised = two_ac_power(trials, d_prime=d, tau=tau).power
    yield row("2-ac", f"{trials} pairs, tau {tau:g}", f"d' {d:g}", "shown", promised, float(sum(shown)), "")
    same, different, d, tau = 10, 10, 2.5, 1.2
    hits = 1 - (norm.cdf((tau - d) / sqrt(2)) - norm.cdf((-tau - d) / sqrt(2)))
    false_alarms = 2 * norm.cdf(-tau / sqrt(2))
    total = 0.0
    for hit in range(different + 1):
        for false in range(same + 1):
            found = same_different_test(same - false, false, different - hit, hit)
            if found.p_value <= 0.05:
                total += binom.pmf(hit, different, hits) * binom.pmf(false, same, false_alarms)
    promised = same_different_power(same, different, d_prime=d, tau=tau).power
    yield row("same-different", f"{same} + {different} pairs, tau {tau:g}", f"d' {d:g}", "shown", promised, total, "")


def _three(d):
    """Return how often one of three is chosen at a d': the integral of phi(x - d) Phi(x)^2."""
    x = np.linspace(-9 + d, 9 + d, 20_001)
    return float(np.sum(norm.pdf(x - d) * norm.cdf(x) ** 2) * (x[1] - x[0]))


# Several listeners: their counts drawn, the word of each study by the conclusion itself


def of_several_listeners(studies):
    plans = [
        ("heard, abx", "abx", 2, 28, 0.5, 0.0), ("heard, abx", "abx", 6, 16, 0.3, 0.2),
        ("preferred", "preference", 3, 20, 0.2, 0.0), ("preferred", "preference", 8, 12, 0.2, 0.15),
        ("attribute, 2afc", "2afc", 4, 20, 1.0, 0.0), ("attribute, 2afc", "2afc", 8, 14, 1.0, 0.5),
    ]  # fmt: skip
    for place, (kind, method, listeners, trials, margin, sd) in enumerate(plans):
        name = kind.split(",")[0]
        promised = panel_chances(name, method=method, listeners=listeners, trials=trials, margin=margin, spread=sd)
        for at, word in ((1, "shown"), (-1, "refuted"), (0, "negligible")):
            if name == "heard" and word == "refuted":
                continue
            rng = np.random.default_rng([SEED, 1, place, at + 1])
            words = []
            for _ in range(studies):
                own = _chances(name, at * margin, sd if at or name != "heard" else 0.0, listeners, rng)
                counts = rng.binomial(trials, own)
                words.append(_concluded(name, method, counts, trials, margin).word)
            plan = f"{listeners} listeners, {trials} each, margin {margin:g}, SD {sd:g}"
            yield row(kind, plan, f"{at:+d} margin", word, getattr(promised, f"chance_{word}"), words, place)


def _chances(kind, effect, sd, listeners, rng):
    if kind == "attribute":
        return norm.cdf(rng.normal(effect, sd, listeners) / sqrt(2))
    mean = effect if kind == "heard" else 0.5 + effect
    own = np.full(listeners, mean)
    if sd:
        size = mean * (1 - mean) / sd**2 - 1
        own = rng.beta(mean * size, (1 - mean) * size, listeners)
    return 0.5 + own / 2 if kind == "heard" else own


def _concluded(kind, method, counts, trials, margin):
    each = np.broadcast_to(trials, counts.shape)
    right, total = int(counts.sum()), int(each.sum())
    own = [(int(one), int(of)) for one, of in zip(counts, each, strict=True)]
    if kind == "heard":
        return conclude(right, total, method=method, margin=margin, by_listener=own)
    if kind == "attribute":
        return conclude_attribute(right, total, method=method, margin=margin, by_listener=own)
    pairs = [(one, of - one) for one, of in own]
    return conclude_preference(right, total - right, margin=margin, by_listener=pairs)


def of_sides(studies):
    """How often a panel names a side (*shown* or *refuted*) where there is none on average; promised is alpha.

    people : listeners drawn from people whose mean is nothing; these : their own mean is nothing, too
    """
    plans = [
        (name, method, listeners, trials, margin, sd)
        for name, method, margin, sds in (
            ("preferred", "preference", 0.2, (0.1, 0.2, 0.3)), ("attribute", "2afc", 1.0, (0.5, 1.0)),
        )
        for listeners, trials in ((3, 20), (8, 20), (20, 20))
        for sd in sds
    ]  # fmt: skip
    for place, (name, method, listeners, trials, margin, sd) in enumerate(plans):
        rng = np.random.default_rng([SEED, 9, place])
        people, these, fallen = [], [], []
        for _ in range(studies):
            own = _chances(name, 0.0, sd, listeners, rng)
            found = _concluded(name, method, rng.binomial(trials, own), trials, margin)
            people.append("a side" if found.word in ("shown", "refuted") else found.word)
            led = found.listeners_differ and found.side != "neither"
            fallen.append("a side" if people[-1] == "a side" or led else found.word)
            level = np.clip(own - own.mean() + 0.5, 0.0, 1.0)
            level += (0.5 - level.mean()) * (1 - np.abs(2 * level - 1))  # what was cut off, given back inside
            if abs(level.mean() - 0.5) < 1e-3:
                word = _concluded(name, method, rng.binomial(trials, level), trials, margin).word
                these.append("a side" if word in ("shown", "refuted") else word)
        plan = f"{listeners} listeners, {trials} each, margin {margin:g}, SD {sd:g}"
        yield row(f"{name}, sides", plan, "nothing, people", "a side", 0.05, people, place)
        yield row(f"{name}, sides", plan, "nothing, these listeners", "a side", 0.05, these, place)
        yield row(f"{name}, sides if differing were no word", plan, "nothing, people", "a side", 0.05, fallen, place)


UNEQUAL = np.array([4, 6, 8, 12, 16, 24, 40, 60])
"""Trials of eight listeners, some of whom sat much longer than others."""


def of_unequal(studies):
    """How often words are said where they are false, of listeners of unequal size and of biased guessers."""
    margins = {"heard": 0.5, "preferred": 0.2, "attribute": 1.0}
    methods = {"heard": "abx", "preferred": "preference", "attribute": "2afc"}
    spreads = {"heard": (0.0, 0.25), "preferred": (0.0, 0.2), "attribute": (0.0, 0.5)}
    for place, name in enumerate(margins):
        margin, method = margins[name], methods[name]
        plan = f"8 listeners, 4 to 60 each, margin {margin:g}"
        for sd in spreads[name]:
            rng, words = np.random.default_rng([SEED, 10, place, int(100 * sd)]), []
            for _ in range(studies):
                counts = rng.binomial(UNEQUAL, _chances(name, margin, sd, len(UNEQUAL), rng))
                words.append(_concluded(name, method, counts, UNEQUAL, margin).word)
            yield row(f"{name}, unequal", f"{plan}, SD {sd:g}", "+1 margin", "negligible", 0.05, words, place)
        rng, words = np.random.default_rng([SEED, 11, place]), []
        for _ in range(studies):
            word = _concluded(name, method, rng.binomial(UNEQUAL, 0.5), UNEQUAL, margin).word
            words.append("a side" if word in ("shown", "refuted") else word)
        yield row(f"{name}, unequal", plan, "nothing, alike", "a side", 0.05, words, place)
    for place, (name, trials, balanced) in enumerate(
        (("attribute", 40, False), ("preferred", 40, True), ("preferred", 40, False))
    ):
        # Nine times in ten the first one is named, whatever it is; where the claimed one stands is drawn, or balanced.
        rng, words = np.random.default_rng([SEED, 12, place]), []
        for _ in range(studies):
            first = rng.permuted(np.arange(trials) % 2 == 0) if balanced else rng.random(trials) < 0.5
            right = int(np.sum((rng.random(trials) < 0.9) == first))
            found = _concluded(name, methods[name], np.array([right]), np.array([trials]), margins[name])
            words.append("a side" if found.word in ("shown", "refuted") else found.word)
        order = "balanced" if balanced else "drawn"
        plan = f"1 listener, {trials} trials, first named in 9 of 10, order {order}"
        yield row(f"{name}, biased", plan, "nothing", "a side", 0.05, words, place)


def of_tracks(studies):
    for place, (listeners, tracks, margin, sd) in enumerate(((8, 12, 0.2, 0.0), (12, 8, 0.25, 0.1))):
        promised = panel_choice_chances(listeners=listeners, trials=tracks, margin=margin, spread=sd)
        for at, word in ((1, "shown"), (-1, "refuted"), (0, "negligible")):
            rng, words = np.random.default_rng([SEED, 2, place, at + 1]), []
            for _ in range(studies):
                own = np.clip(rng.normal(0.5 + at * margin, sd, listeners), 0.02, 0.98)
                picked = rng.random((listeners, tracks)) < own[:, None]
                table = pd.DataFrame(
                    {
                        "listener": np.repeat([f"L{who}" for who in range(listeners)], tracks),
                        "track": np.tile([f"t{number}" for number in range(tracks)], listeners),
                        "order": "a=one|b=two",
                        "chosen": np.where(picked.ravel(), "one", "two"),
                    }
                )
                words.append(choice_test(table, device="one", margin=margin).word)
            plan = f"{listeners} listeners, {tracks} tracks each, margin {margin:g}, SD {sd:g}"
            yield row(
                "keeps listening", plan, f"{at:+d} margin", word, getattr(promised, f"chance_{word}"), words, place
            )


# Ratings


def ratings(rng, listeners, clips, repeats, effect, *, share=1.0, pairs=False, drawn=True):
    """Return blind ratings of two devices as plans assume them.

    pairs : difference grades, each with its reference; drawn : whether clips are a sample
    """
    own = rng.normal(0, SD_LISTENER / share, listeners) if listeners > 1 else np.zeros(1)
    of_clip = rng.normal(0, SD_CLIP / share, clips) if drawn else np.zeros(clips)
    scatter = (SD_RATING / share) * (sqrt(2) if pairs else 1.0)
    shape = (listeners, clips, repeats)
    base = rng.normal(60, 10, listeners)[:, None, None] + np.zeros(shape)
    moved = effect + own[:, None, None] + of_clip[None, :, None]
    high = base + moved / 2 + rng.normal(0, scatter, shape)
    low = base - moved / 2 + rng.normal(0, scatter, shape)
    who, clip, _ = np.indices(shape)
    names = {"listener": [f"L{n:02}" for n in who.ravel()], "clip": [f"c{n}" for n in clip.ravel()]}
    one = pd.DataFrame({**names, "device": "one", "rating": high.ravel()})
    return pd.concat([one, pd.DataFrame({**names, "device": "two", "rating": low.ravel()})], ignore_index=True)


def of_ratings(studies):
    plans = [
        ("scale, several", 12, 6, 1, 8.0, False, False), ("scale, several", 5, 4, 2, 12.0, False, False),
        ("scale, one listener over clips", 1, 8, 3, 12.0, False, False),
        ("scale, one listener over pages", 1, 2, 10, 10.0, False, False),
        ("small impairment, against the original", 10, 5, 1, 0.4, True, False),
        ("small impairment, two objects", 16, 5, 1, 0.5, True, True),
    ]  # fmt: skip
    for place, (kind, listeners, clips, repeats, margin, grades, both) in enumerate(plans):
        promised = scale_reach(
            listeners=listeners, clips=clips, repeats=repeats, margin=margin, grades=grades, both_objects=both
        )
        share = GRADES if grades else 1.0
        for at, word in ((1, "shown"), (0, "negligible")):
            rng, words = np.random.default_rng([SEED, 3, place, at + 1]), []
            for _ in range(studies):
                table = ratings(
                    rng, listeners, clips, repeats, at * margin, share=share, pairs=both, drawn=listeners == 1
                )
                words.append(scale_contrast(table, device="one", comparator="two", margin=margin).word)
            plan = f"{listeners} listeners, {clips} clips, {repeats} times, margin {margin:g}"
            yield row(kind, plan, f"{at:+d} margin", word, getattr(promised, f"chance_{word}"), words, place)


def of_contrasts(studies):
    """Clips and listeners a sample: the mixed model's word, beside every claim of ratings and in `analyze TABLE`."""
    for place, (listeners, clips, repeats) in enumerate(((6, 5, 2), (12, 5, 1))):
        margin, difference = 10.0, 10.0
        design = ContrastDesign(listeners=listeners, clips=clips, repeats=repeats)
        promised = contrast_power(design, difference=difference, margin=margin)
        for at, word, chance in ((1, "shown", promised.power), (0, "negligible", promised.chance_negligible)):
            rng, words = np.random.default_rng([SEED, 4, place, at]), []
            for _ in range(studies):
                table = ratings(rng, listeners, clips, repeats, at * difference)
                found = clips_as_a_sample(table, device="one", comparator="two", margin=margin)
                held = found is not None and (
                    found.p_value <= 0.05 and found.estimate > 0 if word == "shown" else found.word == "negligible"
                )
                words.append(word if held else "open")
            plan = f"{listeners} listeners, {clips} clips, {repeats} times"
            yield row("contrast", plan, f"{at * difference:g} points", word, chance, words, place)


def of_survival(studies):
    for place, (listeners, sittings, clips, repeats, sample) in enumerate(
        ((24, 2, 5, 1, True), (24, 2, 4, 1, False), (12, 2, 4, 2, False), (1, 8, 4, 2, False))
    ):
        margin, kept = 8.0, 2 / 3
        ratings_each = clips * repeats
        promised = rated_reach(
            listeners=listeners, sittings=sittings, ratings=ratings_each, margin=margin, kept=kept,
            clips=clips if sample else None,
        )  # fmt: skip
        rng, words = np.random.default_rng([SEED, 5, place]), []
        for _ in range(studies):
            table = _two_modes(rng, listeners, sittings, clips, repeats)
            words.append(
                survival(
                    table, device="one", comparator="two", margin=margin, kept=kept, only_these_clips=not sample,
                    mixed_model=False,
                ).verdict
            )  # fmt: skip
        plan = f"{listeners} listeners, {sittings} + {sittings} sittings, {clips} clips, {repeats} times"
        yield row("survival", plan, "gone blind", "vanishes", promised.chance_vanishes, words, place)


def _two_modes(rng, listeners, sittings, clips, repeats):
    single, rows = listeners == 1, []
    for who in range(listeners):
        own = 0.0 if single else rng.normal(0, SD_LISTENER)
        for mode, effect in (("labelled", LABELLED_EFFECT), ("blind", 0.0)):
            new = rng.normal(0, SD_MODE)
            for sitting in range(sittings):
                new = rng.normal(0, SD_MODE) if single else new
                for clip in range(clips):
                    for _ in range(repeats):
                        base = 60.0
                        moved = effect + own + new
                        for name, sign in (("one", 0.5), ("two", -0.5)):
                            rows.append((f"L{who:02}", f"c{clip}", name, mode, f"{mode}{sitting}",
                                         base + sign * moved + rng.normal(0, SD_RATING)))  # fmt: skip
    return pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "sitting", "rating"])


def of_unreliable_labels(studies):
    for place, (listeners, sittings, clips, repeats, sample) in enumerate(
        ((12, 1, 4, 4, False), (16, 1, 6, 2, True), (1, 2, 4, 8, False))
    ):
        margin = 8.0
        promised = unreliable_reach(
            listeners=listeners, sittings=sittings, ratings=clips * repeats, margin=margin, clips=clips, sample=sample
        )
        rng, words = np.random.default_rng([SEED, 6, place]), []
        for _ in range(studies):
            table = _named(rng, listeners, sittings, clips, repeats)
            found = label_effect(
                table, device="one", comparator="two", margin=margin, only_these_clips=not sample, draws=1
            )
            words.append(found.sound_conclusion.word)
        plan = f"{listeners} listeners, {sittings} sittings, {clips} clips, {repeats} times, margin {margin:g}"
        yield row("unreliable labels", plan, "nothing", "negligible", promised.chance_negligible, words, place)


def _named(rng, listeners, sittings, clips, repeats):
    rows, single = [], listeners == 1
    for who in range(listeners):
        own = 0.0 if single else rng.normal(0, SD_LISTENER)
        of_name = 10 + (0.0 if single else rng.normal(0, SD_LISTENER))
        for sitting in range(sittings):
            for clip in range(clips):
                for sound, s in (("one", 0.5), ("two", -0.5)):
                    for number in range(repeats):
                        right = number < repeats / 2
                        label = sound if right else ("two" if sound == "one" else "one")
                        value = 60 + s * own + (0.5 if label == "one" else -0.5) * of_name + rng.normal(0, SD_RATING)
                        rows.append((f"L{who:02}", f"s{sitting}", f"c{clip}", sound, label, value))
    return pd.DataFrame(rows, columns=["listener", "sitting", "clip", "sound", "label", "rating"])


def of_stages(studies):
    made = factorial("abc", 0)
    for place, (listeners, clips, repeats) in enumerate(((16, 4, 1), (1, 5, 4))):
        promised = stage_reach(
            listeners=listeners, clips=clips, repeats=repeats, combinations=8, stages=3, products=len(made.pairs),
            margin=8.0, directed=False,
        )  # fmt: skip
        for effect, word in ((8.0, "shown"), (0.0, "negligible")):
            rng, words = np.random.default_rng([SEED, 7, place, int(effect)]), []
            for _ in range(studies):
                table = _combined(rng, made, effect, listeners, clips, repeats)
                found = attribution(table, stages=["a", "b", "c"], margin=8.0, interactions=[p[0] for p in made.pairs])
                words.append(found.stages[0].word)
            plan = f"{listeners} listeners, {clips} clips, {repeats} times, 8 combinations"
            yield row("stages", plan, f"{effect:g} points", word, getattr(promised, f"chance_{word}"), words, place)


def _combined(rng, made, effect, listeners, clips, repeats):
    runs = np.where(np.array(made.runs), 0.5, -0.5)
    own = np.array([effect, 0.0, 0.0]) + (0 if listeners == 1 else 1) * rng.normal(0, SD_LISTENER, (listeners, 3))
    rows = [
        (f"L{who:02}", f"c{clip}", 60 + run @ own[who] + rng.normal(0, SD_RATING), *np.where(run > 0, "on", "off"))
        for who in range(listeners) for clip in range(clips) for run in runs for _ in range(repeats)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["listener", "clip", "rating", "a", "b", "c"])


def of_stage_pairs(studies):
    for place, (listeners, pairs, margin) in enumerate(((24, 10, 20.0), (8, 20, 25.0), (1, 60, 25.0))):
        promised = stage_pair_reach(listeners=listeners, pairs=pairs, stages=3, margin=margin)
        for at, word in ((1, "shown"), (0, "negligible")):
            rng, words = np.random.default_rng([SEED, 8, place, at]), []
            for _ in range(studies):
                means = np.array([at * margin, 0.0, 0.0])
                own = means + (0 if listeners == 1 else 1) * rng.normal(0, SD_PREFERENCE, (listeners, 3))
                chosen = rng.random((listeners, 3, pairs)) < np.clip(0.5 + own / 100, 0, 1)[..., None]
                who, stage, _ = np.indices(chosen.shape)
                table = pd.DataFrame({
                    "listener": [f"L{n:02}" for n in who.ravel()], "clip": "c",
                    "stage": np.array(["a", "b", "c"])[stage.ravel()], "value": np.where(chosen.ravel(), 50.0, -50.0),
                })  # fmt: skip
                found = attribution_of_pairs(table, stages=["a", "b", "c"], combinations=8, margin=margin)
                words.append(found.stages[0].word)
            plan = f"{listeners} listeners, {pairs} pairs of each of 3 stages, margin {margin:g}"
            yield row("stage pairs", plan, f"{at:+d} margin", word, getattr(promised, f"chance_{word}"), words, place)


KINDS = {
    "one": (of_one_listener, 0),
    "named pairs": (of_named_pairs, 0),
    "several": (of_several_listeners, 2000),
    "sides": (of_sides, 2000),
    "unequal": (of_unequal, 2000),
    "tracks": (of_tracks, 60),
    "ratings": (of_ratings, 100),
    "contrasts": (of_contrasts, 300),
    "survival": (of_survival, 200),
    "labels": (of_unreliable_labels, 60),
    "stages": (of_stages, 30),
    "pairs": (of_stage_pairs, 60),
}
"""Each with how many studies of a plan and truth are simulated: fewer where a fit takes longer."""


def main(kinds, target=TABLE) -> None:
    with target.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, FIELDS, lineterminator="\n")
        table.writeheader()
        for kind in kinds or KINDS:
            rows_of, studies = KINDS[kind]
            for one in rows_of(studies):
                table.writerow(one)
                stream.flush()


if __name__ == "__main__":
    main(sys.argv[1:])

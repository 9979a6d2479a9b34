"""The four models of a condition's harmonics: filters behind or ahead of the nonlinearity, as measured or inverted.

A table of harmonics doesn't tell how two tones mix, nor which way up a nonlinearity stands. `variants = true` in a
condition stands for four conditions, and each claim about it for four claims: they differ by the model alone, and what
is claimed stands only if it stands for each. So the study file is read as if all of them had been written in it; what
is added comes last, so that the lines of what was written stay what they are.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from blindtest.design import METHODS, Block, Protocol
from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.reading import Tables
from blindtest.study.refutation import AnyReach, Reach, reach
from blindtest.study.tails import LEAST_CHANCE

__all__ = ["blocks_of_variants", "check_variants", "say_variants", "variant_claims", "with_variants"]

MODELS = (("after", "as measured"), ("before", "as measured"), ("after", "inverted"), ("before", "inverted"))
KEY = "variant"
"""Of a block's numbers: the condition that stands for the device in it."""
KINDS = ("heard", "preferred", "attribute")
"""Of claims that may speak of such a condition."""


def with_variants(data: Tables) -> Tables:
    """Return a study's tables with the other three models of every condition with `variants`, and of its claims."""
    conditions = data.get("condition")
    if not isinstance(conditions, list):
        return data
    own: dict[str, dict[str, Tables]] = {}
    for condition in conditions:
        if isinstance(condition, dict) and condition.get("variants") is True and isinstance(condition.get("id"), str):
            own.setdefault(condition["id"], _models(condition))
    if not any(own.values()):
        return data
    more = [one for models in own.values() for one in models.values()]
    claims = data.get("claim", [])
    if isinstance(claims, list):
        claims = [*claims, *(one for claim in claims for one in _claims(claim, own))]
    return {**data, "condition": [*conditions, *more], **({"claim": claims} if claims else {})}


def _models(condition: Tables) -> dict[str, Tables]:
    """Return the other models of a condition by what is put behind its id; {} where it has no harmonics."""
    written_stages = condition.get("stages")
    stages: list[Any] = written_stages if isinstance(written_stages, list) else []
    places = [
        place
        for place, stage in enumerate(stages)
        if isinstance(stage, dict) and isinstance(stage.get("harmonics"), dict)
    ]
    if len(places) != 1 or "grid" in condition or "factors" in condition:
        return {}
    bent = stages[places[0]]["harmonics"]
    written = (bent.get("filters", "after"), bent.get("polarity", "as measured"))
    models = {}
    for filters, polarity in MODELS:
        if (filters, polarity) == written:
            continue
        name = ".".join(
            word
            for word in (filters if filters != written[0] else "", "inverted" if polarity != written[1] else "")
            if word
        )
        if written[1] == "inverted":
            name = name.replace("inverted", "upright")
        other = list(stages)
        other[places[0]] = {"harmonics": {**bent, "filters": filters, "polarity": polarity}}
        models[name] = {
            **{key: value for key, value in condition.items() if key != "variants"},
            "id": f"{condition['id']}.{name}",
            "stages": other,
            **({"label": f"{condition['label']}, {name}"} if isinstance(condition.get("label"), str) else {}),
        }
    return models


def _claims(claim: object, own: Mapping[str, Mapping[str, Tables]]) -> list[Tables]:
    if not isinstance(claim, dict) or claim.get("kind") not in KINDS or not isinstance(claim.get("device"), str):
        return []
    return [
        {**claim, "id": f"{claim.get('id', '')}.{name}", "device": model["id"], "primary": False}
        for name, model in own.get(claim["device"], {}).items()
    ]


def variant_claims(data: Tables) -> dict[str, str]:
    """Return the claims that were added, by id: each with the id of the one that was written."""
    own = {
        condition["id"]: _models(condition)
        for _, condition in entries(data, "condition")
        if condition.get("variants") is True and "id" in condition
    }
    return {
        one["id"]: claim["id"] for _, claim in entries(data, "claim") if "id" in claim for one in _claims(claim, own)
    }


def check_variants(data: Tables, found: Findings) -> None:
    """Gather which conditions have no harmonics to model otherwise, and which claims can't speak of four of them."""
    spread = set()
    for index, condition in entries(data, "condition"):
        if condition.get("variants") is not True:
            continue
        if not _models(condition) and not found.is_touched("condition", index):
            found.fault(
                ("condition", index, "variants"),
                "there are no other models of it: it has no stage of harmonics, or a grid or factors spread it already",
                got=True,
                allowed="a chain with one stage of harmonics",
                remedy="take the key out",
            )
        elif "id" in condition:
            spread.add(condition["id"])
    for index, claim in entries(data, "claim"):
        if claim.get("device") in spread and claim.get("kind", KINDS[0]) not in KINDS:
            found.fault(
                ("claim", index, "kind"),
                "claims of this kind can't be asked of four models at once",
                got=claim["kind"],
                allowed=", ".join(KINDS),
                remedy="take variants out, and make a study for each model: blindtest new --from this one",
            )
        if claim.get("comparator") in spread:
            found.fault(
                ("claim", index, "comparator"),
                "the comparator stands for four models",
                got=claim["comparator"],
                allowed="variants in the condition that is claimed about",
                remedy="exchange the two, or take variants out",
            )


def blocks_of_variants(protocol: Protocol, data: Tables, found: Findings) -> Protocol:
    """Return the protocol with each counted block of choices once for every model of the device of its claim.

    Ratings hold all conditions on their pages: they stay as they are.
    """
    added = variant_claims(data)
    if not added:
        return protocol
    claims = {claim["id"]: claim for _, claim in entries(data, "claim") if "id" in claim}
    blocks: list[Block] = []
    for block in protocol.blocks:
        blocks += _once_for_each(block, added, claims)
        if len(blocks) and blocks[-1].stopping and KEY in blocks[-1].numbers:
            found.fault(
                ("protocol", "use"),
                f"block {block.id} may end early, and a claim about four models needs all of them in full",
                got=block.stopping.rule if block.stopping else None,
                remedy="take the stopping rule out, or variants",
            )
    return replace(protocol, blocks=tuple(blocks))


def _once_for_each(block: Block, added: Mapping[str, str], claims: Mapping[str, Tables]) -> Sequence[Block]:
    method = METHODS[block.method]
    written = next((name for name in dict.fromkeys(added.values()) if claims[name].get("kind") in method.decides), None)
    if not block.counted or method.answer_kind != "choose" or method.adaptive or written is None:
        return [block]
    base = str(claims[written]["device"])
    devices = [base, *(str(claims[name]["device"]) for name, of in added.items() if of == written)]
    return [
        replace(
            block,
            id=block.id if device == base else f"{block.id}{device.removeprefix(base)}",
            numbers={**block.numbers, KEY: device},
        )
        for device in devices
    ]


MOST_TRIALS = 400


def say_variants(data: Tables, reaches: Mapping[str, AnyReach], found: Findings) -> None:
    """Say how often all models of a claim end alike, and complain where it can't fail as often as a claim has to.

    Given the truth their trials are independent, and the chances multiply.
    """
    added = variant_claims(data)
    for index, claim in entries(data, "claim"):
        plan = reaches.get(claim.get("id", ""))
        models = 1 + sum(of == claim.get("id") for of in added.values())
        if models == 1 or not isinstance(plan, Reach):
            continue
        shown, negligible = plan.chance_shown**models, plan.chance_negligible**models
        said = (
            f"over {models} models, {plan.trials} trials each: shown for each with chance {shown:.2f} where the margin "
            f"is the truth, negligible for each with {negligible:.2f} for a guesser"
        )
        several = not found.is_touched("listeners", "planned") and data.get("listeners", {}).get("planned", 1) > 1
        if several or negligible >= LEAST_CHANCE or not plan.can_fail:
            found.note(("claim", index), said)
            continue
        fewest = _fewest(plan, models)
        found.fault(
            ("claim", index),
            f"the claim can't fail often enough over all models of the harmonics: {said}",
            got=f"{plan.trials} trials and margin {plan.margin:g}",
            allowed="a chance of .50 or more",
            remedy=f"{fewest} trials for each model are the fewest that could" if fewest else "a larger margin",
        )


def _fewest(plan: Reach, models: int) -> int | None:
    for trials in range(plan.trials + 1, MOST_TRIALS + 1):
        other = reach(trials, plan.margin)
        if other.chance_negligible**models >= LEAST_CHANCE and other.shown_from is not None:
            return trials
    return None
